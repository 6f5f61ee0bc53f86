"""Log lines as JSON or plain text, with request and task ids and without anybody's data.

An error's own text may hold a name, an address or a key, so only its kind and its place in the code are
written; the text of errors that come from machines (database, queue, files) is kept, cleaned.
"""

import json
import logging
import re
import time
import traceback
import uuid
from contextvars import ContextVar
from datetime import UTC, datetime

from django.utils.functional import SimpleLazyObject

from shared.security_log import tell, who

request_id: ContextVar[str] = ContextVar("request_id", default="")
task_id: ContextVar[str] = ContextVar("task_id", default="")
"""Which request or task is at work, carried through logs and queue."""
GIVEN_ID = re.compile(r"[A-Za-z0-9-]{8,64}\Z")
REFUSALS = {401, 403, 413, 429}
QUIET = {"healthz", "readyz", "metrics"}
CLEANED = (
    (re.compile(r"DETAIL:.*", re.DOTALL), "(detail left out)"),
    (re.compile(r"(?:Key|row contains) \(.*", re.DOTALL), "(values left out)"),
    (re.compile(r"\b([a-z][a-z0-9+]*)://[^\s'\"]*"), r"\1://(left out)"),
    (re.compile(r"[^\s<>@'\"]+@[^\s<>@'\"]+"), "(e-mail left out)"),
    (re.compile(r"\b(?=[A-Za-z_-]*\d)[A-Za-z0-9_-]{24,}"), "(key left out)"),
    (re.compile(r"(?<![\d-])(?!\d{4}-\d\d-\d\d)\+?\d[\d ().-]{8,}\d"), "(number left out)"),
)
FROM_MACHINES = {
    "OperationalError",
    "InterfaceError",
    "ConnectionError",
    "TimeoutError",
    "ImproperlyConfigured",
}
TASK_LINE = re.compile(r"Task (?P<name>[\w.]+)\[(?P<id>[\w-]+)\] (?P<what>[\w ]+)")
"""The queue's own lines hold arguments and errors after these words."""
ADDRESS_LINE = re.compile(r"^(?P<what>[A-Za-z ()]+): /.*", re.DOTALL)
"""The web framework's own lines end in the address that was asked for."""


def taken_or_new(given: str) -> str:
    """Return a caller's id when it is a plain one, else a fresh one."""
    return given if GIVEN_ID.match(given) else uuid.uuid4().hex


def clean(text: str) -> str:
    """Return text without e-mail addresses, telephone numbers, keys and quoted rows."""
    for pattern, instead in CLEANED:
        text = pattern.sub(instead, text)
    return text


class RequestLog:
    """Middleware: an id for every request and one line in the log, by route, never by address or name.

    The answer carries the id, so that a person can quote it.
    """

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
        if person := known_person(request):
            told["who"] = who(person.pk)
        logging.getLogger("tapward.requests").info("request", extra={"told": told})
        if answer.status_code in REFUSALS:
            tell("refused", level=logging.WARNING, **told)


def known_person(request):
    """Return who asked, where that was looked up anyway; nothing is asked of the database for it."""
    user = request.__dict__.get("_cached_user") or request.__dict__.get("user")
    return user if type(user) is not SimpleLazyObject and getattr(user, "pk", None) else None


class PlainText(logging.Formatter):
    """One line an event, for people at a terminal."""

    def format(self, record: logging.LogRecord) -> str:
        fields = fields_of(record)
        head = f"{fields.pop('at')[:19]} {fields.pop('level')} {fields.pop('logger')}: {fields.pop('event')}"
        return " ".join([head, *(f"{key}={value}" for key, value in fields.items())])


class JsonLines(logging.Formatter):
    """One JSON object an event, for programs that gather logs."""

    def format(self, record: logging.LogRecord) -> str:
        return json.dumps(fields_of(record), ensure_ascii=False, default=str)


def fields_of(record: logging.LogRecord) -> dict:
    """Return what may be told of an event."""
    fields = {
        "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
        "level": record.levelname.lower(),
        "logger": record.name,
        "event": _event(record),
    }
    for name, value in (("request_id", request_id.get()), ("task_id", task_id.get())):
        if value:
            fields[name] = value
    if isinstance(told := getattr(record, "told", None), dict):
        fields.update(told)
    if record.exc_info and record.exc_info[1] is not None:
        fields.update(_error(record.exc_info[1]))
    return fields


def _event(record: logging.LogRecord) -> str:
    text = record.getMessage()
    if found := TASK_LINE.search(text):
        return f"Task {found['name']} [{found['id']}] {found['what'].split(' in ')[0].strip()}"
    if record.name.startswith("django.") and (found := ADDRESS_LINE.match(text)):
        return found["what"]
    return clean(text.splitlines()[0] if text else "")


def _error(error: BaseException) -> dict:
    kinds = {kind.__name__ for kind in type(error).__mro__}
    frames = traceback.extract_tb(error.__traceback__)[-12:]
    places = [f"{'/'.join(frame.filename.split('/')[-3:])}:{frame.lineno} {frame.name}" for frame in frames]
    told: dict = {"error": type(error).__name__, "where": places}
    if kinds & FROM_MACHINES:
        told["says"] = clean(str(error))[:300]
    cause = error.__cause__ or error.__context__
    if cause is not None:
        told["because"] = type(cause).__name__
    return told


def logging_settings(form: str) -> dict:
    """Return Django's LOGGING for ``json`` or ``plain``."""
    kind = {"json": JsonLines, "plain": PlainText}[form]
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "formatters": {"ours": {"()": kind}},
        "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "ours"}},
        "root": {"handlers": ["console"], "level": "WARNING"},
        "loggers": {
            "tapward": {"level": "INFO"},
            "celery": {"level": "INFO"},
            # Django's own handlers would print addresses; ours stand at the root.
            "django": {"handlers": [], "level": "WARNING", "propagate": True},
            "django.server": {"handlers": [], "level": "ERROR", "propagate": True},
        },
    }
