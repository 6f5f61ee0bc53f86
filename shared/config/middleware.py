"""Every file a person takes out is an entry of the audit trail, wherever it is made.

Headers that neither Django nor the content policy sends.
Refuses programs that come without TLS, where the pages would send a browser on to https.
Refuses what is too large at the door, by the length it announces, before a byte of it is read.

Sent on, a program would go on handing its token over in the open, and nobody would notice (ASVS 4.1.2).

What a server hands on ends at the announced length, so nothing longer than announced is read either.
"""

import re
import time
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from typing import Final

from django.conf import settings
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.urls import Resolver404, resolve

from fleet.models import AuditArea
from fleet.people import audit
from shared.messages import message

FILE_NAME = re.compile(r'filename="?([^";]+)')


class ExportAudit:
    """Middleware, inside the log-in's own."""

    def __init__(self, get_response):
        self.get_response = get_response

    def __call__(self, request):
        answer = self.get_response(request)
        given = answer.headers.get("Content-Disposition", "")
        if given.startswith("attachment") and answer.status_code == 200 and request.user.is_authenticated:
            name = FILE_NAME.search(given)
            audit.note(
                message("file taken out"),
                area=AuditArea.FILES,
                about=name[1] if name else "a file",
                detail=message("from {path}", path=request.path),
                by=request.user,
                now=datetime.now(tz=UTC),
            )
        return answer


NOBODY = (
    "accelerometer", "autoplay", "display-capture", "geolocation", "gyroscope", "hid",
    "magnetometer", "microphone", "midi", "payment", "publickey-credentials-get", "serial", "usb",
    "xr-spatial-tracking",
)  # fmt: skip
PERMISSIONS = ", ".join([*(f"{one}=()" for one in NOBODY), "camera=(self)"])
"""The camera reads the codes of parts; the person is asked. A photo's own place needs no permission."""


def permissions_of(answer) -> str:
    """Return what a page may ask the person for: a position only where the page is for that."""
    if getattr(answer, "asks_for_position", False):
        return PERMISSIONS.replace("geolocation=()", "geolocation=(self)")
    return PERMISSIONS


class SecurityHeaders:
    """Middleware. Pages of people who are logged in stay out of caches unless the page says otherwise."""

    def __init__(self, get_response):
        self.get_response = get_response

    def __call__(self, request):
        answer = self.get_response(request)
        answer.setdefault("Permissions-Policy", permissions_of(answer))
        answer.setdefault("Cross-Origin-Resource-Policy", "same-origin")
        user = getattr(request, "user", None)
        if user is not None and user.is_authenticated and "Cache-Control" not in answer:
            answer["Cache-Control"] = "private, no-store"
        return answer


PROGRAMS: Final = re.compile(r"^api/(?!docs/|own-tokens/)")
"""Paths of programs, as SECURE_REDIRECT_EXEMPT wants them; the API's pages for people are not among them."""
_BODY: Final = {
    "type": "about:blank",
    "title": "Programs are answered by TLS only.",
    "status": 403,
    "remedy": "Call the same address with https. A token sent without it may have been read on the way: "
    "revoke it and make a new one.",
}


class TlsOnly:
    """Answers 403 with problem details (RFC 9457) before anything is read of the call."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Let through what is safe, or for people."""
        is_open = settings.SECURE_SSL_REDIRECT and not request.is_secure()
        if is_open and PROGRAMS.match(request.path_info.lstrip("/")):
            return JsonResponse(_BODY, status=403, content_type="application/problem+json")
        return self.get_response(request)


MEGABYTE: Final = 1024 * 1024
USUAL_BYTES: Final = 2 * MEGABYTE
"""Pages send forms; more than this is no form."""
MOST_BYTES: Final = {
    "send_photo": 9 * MEGABYTE,
    "close_out": 64 * MEGABYTE,
    "visit": 64 * MEGABYTE,
    "import_fleet": 61 * MEGABYTE,
    "read_paid_file": 11 * MEGABYTE,
}
"""By name of the address: one photo, a plain form with its photos, a workbook, a file of payments."""
REMEDIES: Final = {
    "send_photo": "Take the photo again at a lower resolution.",
    "close_out": "Go back, what you typed is there, and send fewer or smaller photos at once.",
    "visit": "Go back, what you typed is there, and send fewer or smaller photos at once.",
    "import_fleet": "Bring readings in by years, or use manage.py import_fleet.",
}
READ_ON_BYTES: Final = 256 * MEGABYTE
READ_ON_S: Final = 20.0
ELSEWHERE: Final = "/api/"
"""Programs' calls are measured where they are read."""


class UploadSize:
    """Middleware. Answers 413 with a remedy, and 411 where a body comes without its length."""

    def __init__(self, get_response):
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if request.path_info.startswith(ELSEWHERE):
            return self.get_response(request)
        if "chunked" in request.headers.get("Transfer-Encoding", "").lower():
            return _refusal(
                request, 411, "The length of what was sent is not known.", "Send it with Content-Length."
            )
        announced = request.headers.get("Content-Length", "")
        size = int(announced) if announced.isascii() and announced.isdigit() else 0
        if size > USUAL_BYTES:
            name = _file_name(request)
            most = MOST_BYTES.get(name, USUAL_BYTES)
            if size > most:
                what = f"{size / MEGABYTE:.1f} MB were sent; {most / MEGABYTE:.0f} MB are the most here."
                return _refusal(request, 413, what, REMEDIES.get(name, "Send less at a time."))
        return self.get_response(request)


def _file_name(request: HttpRequest) -> str:
    try:
        return resolve(request.path_info).url_name or ""
    except Resolver404:
        return ""


def _refusal(request: HttpRequest, status: int, message: str, remedy: str) -> HttpResponse:
    if "text/html" in request.headers.get("Accept", ""):
        told = {"message": message, "remedy": remedy}
        answer = render(request, "413.html", told, status=status)
    else:
        answer = JsonResponse({"message": message, "remedy": remedy}, status=status)
    return answer


class BodyReadOn:
    """Middleware. Reads on, and forgets, what an answer left unread of a body, within bounds.

    Else the connection breaks under a caller who is still sending, and the answer never arrives.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Answer, and hear the caller out."""
        answer = self.get_response(request)
        until = time.monotonic() + READ_ON_S
        left = READ_ON_BYTES
        with suppress(OSError):
            while left > 0 and time.monotonic() < until and (piece := request.read(MEGABYTE)):
                left -= len(piece)
        return answer
