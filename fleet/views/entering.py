"""What both steps of the log-in share: who tries, the password that was right, the session that begins."""

import logging
from datetime import datetime
from typing import Final

from django.conf import settings
from django.http import HttpRequest, HttpResponse

from fleet.models import Person
from fleet.services import log_ins
from shared.access import begin_session, client_address

log = logging.getLogger("tapward.log_ins")
HALF_IN: Final = "half_in"
"""In the session: whose password was right, while the second factor is still asked for."""


def caller_of(request: HttpRequest, name: str) -> log_ins.Caller:
    """Return who tries."""
    mark = request.COOKIES.get(settings.KNOWN_BROWSER_COOKIE, "")
    return log_ins.Caller(name, client_address(request), mark)


def begin_half(request: HttpRequest, person: Person, now: datetime, then: str) -> None:
    """Remember that the password was right; nothing is open yet."""
    request.session.cycle_key()
    request.session[HALF_IN] = {
        "person": person.pk, "hash": person.get_session_auth_hash(), "at": int(now.timestamp()), "then": then
    }  # fmt: skip


def begin_log_in(
    request: HttpRequest, person: Person, answer: HttpResponse, now: datetime, *, by_second_factor: bool
) -> HttpResponse:
    """Begin the session's limits, and mark the browser as one this person uses."""
    begin_session(request, now)
    request.session["browser"] = request.headers.get("User-Agent", "")[:200]
    request.session["second_factor"] = by_second_factor
    return mark_browser(answer, person, now)


def mark_browser(answer: HttpResponse, person: Person, now: datetime) -> HttpResponse:
    """Have the browser keep a mark that lets nobody in and tells that this person used it."""
    answer.set_cookie(
        settings.KNOWN_BROWSER_COOKIE,
        log_ins.browser_mark(person, now=now),
        max_age=log_ins.MARK_DAYS * 86_400,
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Lax",
    )
    return answer
