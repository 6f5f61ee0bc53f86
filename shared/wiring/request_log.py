"""Gives every request an id and one line in the log: what was asked, by route, never by address or name."""

import logging
import time

from shared.wiring.trail import request_id, taken_or_new

log = logging.getLogger("tapward.requests")
QUIET = {"healthz", "readyz", "metrics"}


class RequestLog:
    """Middleware. The answer carries the id, so that a person can quote it."""

    def __init__(self, get_response):
        self.get_response = get_response

    def __call__(self, request):
        mark = request_id.set(taken_or_new(request.headers.get("X-Request-ID", "")))
        began = time.monotonic()
        try:
            answer = self.get_response(request)
            answer["X-Request-ID"] = request_id.get()
            self._write(request, answer, (time.monotonic() - began) * 1000)
            return answer
        finally:
            request_id.reset(mark)

    def _write(self, request, answer, took_ms: float) -> None:
        match = getattr(request, "resolver_match", None)
        is_static_file = match is None and answer.status_code < 400
        if is_static_file or (match is not None and match.url_name in QUIET):
            return
        told = {
            "method": request.method if len(request.method or "") < 9 else "odd",
            "route": match.route if match else "(no such page)",
            "status": answer.status_code,
            "took_ms": round(took_ms, 1),
        }
        log.info("request", extra={"told": told})
