"""Which request or task is at work, carried through logs and queue."""

import re
import uuid
from contextvars import ContextVar

request_id: ContextVar[str] = ContextVar("request_id", default="")
task_id: ContextVar[str] = ContextVar("task_id", default="")
GIVEN_ID = re.compile(r"[A-Za-z0-9-]{8,64}\Z")


def taken_or_new(given: str) -> str:
    """Return a caller's id when it is a plain one, else a fresh one."""
    return given if GIVEN_ID.match(given) else uuid.uuid4().hex
