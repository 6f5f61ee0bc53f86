"""Refuses programs that come without TLS, where the pages would send a browser on to https.

Sent on, a program would go on handing its token over in the open, and nobody would notice (ASVS 4.1.2).
"""

import re
from collections.abc import Callable
from typing import Final

from django.conf import settings
from django.http import HttpRequest, HttpResponse, JsonResponse

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
