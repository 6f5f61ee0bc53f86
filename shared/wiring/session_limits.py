"""Ends sessions that were not used for a while, and any session after its longest time."""

import time

from django.conf import settings

NOTED_EVERY_SECONDS = 300
"""Use is written down at most so often, so that reading a page seldom writes."""


class SessionLimits:
    """Middleware, after the session's own. Sessions not begun at the log-in end by their cookie's age."""

    def __init__(self, get_response):
        self.get_response = get_response

    def __call__(self, request):
        if settings.SESSION_COOKIE_NAME in request.COOKIES:
            self._look(request.session, int(time.time()))
        return self.get_response(request)

    def _look(self, session, now_s: int) -> None:
        used_s = session.get("used_at")
        if used_s is None:
            return
        is_idle = now_s - used_s > settings.SESSION_IDLE_MINUTES * 60
        is_old = now_s - session["began_at"] > settings.SESSION_MOST_DAYS * 86_400
        if is_idle or is_old:
            session.flush()
        elif now_s - used_s > NOTED_EVERY_SECONDS:
            session["used_at"] = now_s
