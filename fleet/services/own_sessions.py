"""A person's sessions: which there are, and ending them; and the own password."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

from django.contrib.auth import SESSION_KEY
from django.contrib.sessions.models import Session
from django.db import transaction
from django.utils.crypto import constant_time_compare, salted_hmac

from fleet.models import AuditArea, Person
from fleet.services import audit


@dataclass(frozen=True)
class OwnSession:
    """One browser that is logged in. ``mark`` names it without giving its key away."""

    mark: str
    began_at: datetime | None
    used_at: datetime | None
    browser: str
    is_this: bool


def sessions_of(person: Person, *, this_key: str | None, now: datetime) -> list[OwnSession]:
    """Return the person's sessions, this one first, then by last use."""
    found = [
        OwnSession(
            mark=_mark(session.session_key),
            began_at=_moment(data.get("began_at")),
            used_at=_moment(data.get("used_at")),
            browser=str(data.get("browser", "")),
            is_this=session.session_key == this_key,
        )
        for session, data in _sessions(person, now)
    ]
    oldest = datetime.min.replace(tzinfo=UTC)
    return sorted(found, key=lambda one: (one.is_this, one.used_at or oldest), reverse=True)


@transaction.atomic
def end_sessions(
    person: Person, *, keep_key: str | None, by: Person | None, now: datetime, mark: str = ""
) -> int:
    """End sessions other than the one kept, all of them or the marked one. Returns how many ended."""
    keys = [
        session.session_key
        for session, _ in _sessions(person, now)
        if session.session_key != keep_key
        and (not mark or constant_time_compare(_mark(session.session_key), mark))
    ]
    count, _ = Session.objects.filter(session_key__in=keys).delete()
    if count:
        _note(f"{count} session{'s' if count > 1 else ''} ended", person, by, now)
    return count


@transaction.atomic
def change_password(
    person: Person, password: str, *, keep_key: str | None, by: Person | None, now: datetime
) -> None:
    """Set a password that was looked at before, end the other sessions, and write it down."""
    person.set_password(password)
    person.save(update_fields=["password"])
    _note("password changed", person, by, now)
    end_sessions(person, keep_key=keep_key, by=by, now=now)


@transaction.atomic
def shut(person: Person, *, by: Person | None, now: datetime) -> None:
    """Let a person in no more: log-in, sessions and tokens open nothing. What they did stays theirs."""
    if person.is_active:
        person.is_active = False
        person.save(update_fields=["is_active"])
        _note("log-in shut", person, by, now)
    end_sessions(person, keep_key=None, by=by, now=now)


def _sessions(person: Person, now: datetime) -> Iterator[tuple[Session, dict]]:
    # A session says whose it is inside only; a company has hundreds of them, not millions.
    for session in Session.objects.filter(expire_date__gt=now).iterator():
        data = session.get_decoded()
        if data.get(SESSION_KEY) == str(person.pk):
            yield session, data


def _mark(key: str) -> str:
    return salted_hmac("tapward.own-sessions", key, algorithm="sha256").hexdigest()[:24]


def _moment(seconds: int | None) -> datetime | None:
    return None if seconds is None else datetime.fromtimestamp(seconds, tz=UTC)


def _note(what: str, person: Person, by: Person | None, now: datetime) -> None:
    audit.note(what, area=AuditArea.PEOPLE, about=person.username, by=by, now=now)
