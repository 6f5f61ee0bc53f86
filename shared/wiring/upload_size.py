"""Refuses what is too large at the door, by the length it announces, before a byte of it is read.

What a server hands on ends at the announced length, so nothing longer than announced is read either.
"""

from typing import Final

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.urls import Resolver404, resolve

MEGABYTE: Final = 1024 * 1024
USUAL_BYTES: Final = 2 * MEGABYTE
"""Pages send forms; more than this is no form."""
MOST_BYTES: Final = {
    "send_photo": 9 * MEGABYTE,
    "close_out": 64 * MEGABYTE,
    "import_fleet": 61 * MEGABYTE,
    "read_paid_file": 11 * MEGABYTE,
}
"""By name of the address: one photo, a plain form with its photos, a workbook, a file of payments."""
REMEDIES: Final = {
    "send_photo": "Take the photo again at a lower resolution.",
    "close_out": "Go back, what you typed is there, and send fewer or smaller photos at once.",
    "import_fleet": "Bring readings in by years, or use manage.py import_fleet.",
}
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
            name = _name(request)
            most = MOST_BYTES.get(name, USUAL_BYTES)
            if size > most:
                what = f"{size / MEGABYTE:.1f} MB were sent; {most / MEGABYTE:.0f} MB are the most here."
                return _refusal(request, 413, what, REMEDIES.get(name, "Send less at a time."))
        return self.get_response(request)


def _name(request: HttpRequest) -> str:
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
    # The rest of the body is not read, so nothing else can come over this connection.
    answer["Connection"] = "close"
    return answer
