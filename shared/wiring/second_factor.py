"""Where the owner asks a role for a second factor, nothing opens by the password alone but its setting up."""

from django.conf import settings
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect
from django.urls import Resolver404, resolve

STAYS_OPEN = {
    "set_up_second_factor", "own_log_in", "log_out", "log_in", "second_factor",
    "healthz", "readyz", "metrics",
}  # fmt: skip


class SecondFactorAsked:
    """Middleware, after the log-in's own. Tokens of other programs pass; a session made them."""

    def __init__(self, get_response):
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if settings.SECOND_FACTOR_ROLES and self._is_missing(request):
            if request.path_info.startswith("/api/"):
                told = {
                    "type": "about:blank",
                    "title": "Forbidden",
                    "status": 403,
                    "detail": "Your role asks for a second factor. Set it up on the page Your log-in.",
                }
                return JsonResponse(told, status=403, content_type="application/problem+json")
            return redirect("set_up_second_factor")
        return self.get_response(request)

    def _is_missing(self, request: HttpRequest) -> bool:
        user = request.user
        if not user.is_authenticated or user.role not in settings.SECOND_FACTOR_ROLES:
            return False
        return not request.session.get("second_factor") and _name(request) not in STAYS_OPEN


def _name(request: HttpRequest) -> str:
    try:
        return resolve(request.path_info).url_name or ""
    except Resolver404:
        return ""
