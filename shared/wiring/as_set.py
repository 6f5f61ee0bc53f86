"""Language and clock of an answer, as the person set them."""

from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from django.conf import settings
from django.utils import timezone, translation

FOR_PROGRAMS = ("/api/", "/healthz", "/readyz", "/metrics")
"""Addresses for programs answer in English on the company's clock, whatever a caller asks for."""
PAGES_AFTER_ALL = ("/api/docs/", "/api/own-tokens/")


class AsThePersonSet:
    """Middleware, inside the log-in's own. Strangers get the language that their browser asks for."""

    def __init__(self, get_response):
        self.get_response = get_response

    def __call__(self, request):
        language, zone = _wanted(request)
        with translation.override(language), timezone.override(_clock(zone)):
            request.LANGUAGE_CODE = language
            answer = self.get_response(request)
            answer.headers.setdefault("Content-Language", language)
        return answer


def _wanted(request) -> tuple[str, str]:
    if request.path.startswith(FOR_PROGRAMS) and not request.path.startswith(PAGES_AFTER_ALL):
        return settings.LANGUAGE_CODE, ""
    asked = translation.get_language() or settings.LANGUAGE_CODE
    if not request.user.is_authenticated:
        return asked, ""
    return request.user.language or asked, request.user.time_zone


def _clock(zone: str) -> ZoneInfo | None:
    """Return the person's clock; a zone that this machine's list no longer knows shuts nobody out."""
    try:
        return ZoneInfo(zone) if zone else None
    except ZoneInfoNotFoundError:
        return None
