"""What each request of a person meets: limits of the session, the second factor, own language and clock."""

import time
from collections.abc import Callable
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from django.conf import settings
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect
from django.utils import timezone, translation
from django.utils.deprecation import MiddlewareMixin

USE_NOTED_EVERY_S = 300
"""Use is written down at most so often, so that reading a page seldom writes."""
FOR_PROGRAMS = ("/api/", "/healthz", "/readyz", "/metrics")
"""Addresses for programs answer in English on the company's clock, whatever a caller asks for."""
PAGES_AFTER_ALL = ("/api/docs/", "/api/own-tokens/")
OPEN_WITHOUT_SECOND_FACTOR = {
    "set_up_second_factor", "own_log_in", "log_out", "log_in", "second_factor",
    "healthz", "readyz", "metrics",
}  # fmt: skip


class SessionLimits(MiddlewareMixin):
    """After the session's own: ends sessions unused for a while, and any after its longest time.

    Sessions not begun at the log-in end by their cookie's age.
    """

    def process_request(self, request: HttpRequest) -> None:
        """End the session, or note its use."""
        if settings.SESSION_COOKIE_NAME not in request.COOKIES or "used_at" not in request.session:
            return
        session, now_s = request.session, int(time.time())
        idle_s, age_s = now_s - session["used_at"], now_s - session["began_at"]
        if idle_s > settings.SESSION_IDLE_MINUTES * 60 or age_s > settings.SESSION_MOST_DAYS * 86_400:
            session.flush()
        elif idle_s > USE_NOTED_EVERY_S:
            session["used_at"] = now_s


class SecondFactorRequired(MiddlewareMixin):
    """After the log-in's own: where the owner asks a role for a second factor, only its setting up opens
    without. Tokens of other programs pass; a session made them.
    """

    def process_view(self, request: HttpRequest, *view) -> HttpResponse | None:
        """Refuse or send to the setting up."""
        user = request.user
        if (
            not user.is_authenticated
            or user.role not in settings.SECOND_FACTOR_ROLES
            or request.session.get("second_factor")
            or request.resolver_match.url_name in OPEN_WITHOUT_SECOND_FACTOR
        ):
            return None
        if not request.path_info.startswith("/api/"):
            return redirect("set_up_second_factor")
        problem = {
            "type": "about:blank",
            "title": "Forbidden",
            "status": 403,
            "detail": "Your role asks for a second factor. Set it up on the page Your log-in.",
        }
        return JsonResponse(problem, status=403, content_type="application/problem+json")


def user_preferences(get_response: Callable) -> Callable:
    """Inside the log-in's own: language and clock as the person set them, else as the browser asks."""

    def middleware(request: HttpRequest) -> HttpResponse:
        language, zone = _wanted(request)
        with translation.override(language), timezone.override(zone):
            request.LANGUAGE_CODE = language
            answer = get_response(request)
            answer.headers.setdefault("Content-Language", language)
        return answer

    return middleware


def _wanted(request: HttpRequest) -> tuple[str, ZoneInfo | None]:
    if request.path.startswith(FOR_PROGRAMS) and not request.path.startswith(PAGES_AFTER_ALL):
        return settings.LANGUAGE_CODE, None
    asked = translation.get_language() or settings.LANGUAGE_CODE
    if not request.user.is_authenticated:
        return asked, None
    try:
        zone = ZoneInfo(request.user.time_zone) if request.user.time_zone else None
    except ZoneInfoNotFoundError:
        # A zone that this machine's list no longer knows shuts nobody out.
        zone = None
    return request.user.language or asked, zone
