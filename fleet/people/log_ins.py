"""Slows the guessing of passwords down, by account and by address; a stranger locks nobody out.

A person's sessions: which there are, and ending them; and the own password.

Three counts, each with its own limit within the last hour:

- one account from one address: a person who mistypes;
- one address over all accounts: a stranger trying many names;
- one account over all addresses: many machines trying one name.

A browser that logged in as this person before carries a signed mark. With it the last two do not count, so
that what strangers do never keeps a person from the own browser. Success clears the first count only.
"""

import ipaddress
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

from django.contrib.auth import SESSION_KEY
from django.contrib.sessions.models import Session
from django.core import signing
from django.db import transaction
from django.utils.crypto import constant_time_compare, salted_hmac

from fleet.models import AuditArea, FailedLogIn, Person
from fleet.people import audit
from shared.errors import CannotDo
from shared.messages import message

WITHIN: Final = timedelta(hours=1)
MOST_OF_PAIR: Final = 10
MOST_OF_ADDRESS: Final = 50
MOST_OF_ACCOUNT: Final = 100
MARK_DAYS: Final = 180
_SALT: Final = "tapward.log-ins"
_KNOWN: Final = message("a browser known before")
"""Stands in the address's place, so that such failures are counted by themselves."""


@dataclass(frozen=True)
class Caller:
    """Who tries: the name as typed, the address and the browser's mark (each empty when there is none)."""

    name: str
    address: str
    mark: str = ""


def check_may_try(caller: Caller, *, now: datetime) -> None:
    """Raise CannotDo, naming the wait, when too many log-ins failed lately."""
    account = _key("account", caller.name.casefold())
    recent = FailedLogIn.objects.filter(failed_at__gt=now - WITHIN, failed_at__lte=now)
    is_known = _is_known_browser(caller, now)
    address = _KNOWN if is_known else _address_key(caller.address)
    limits = []
    if address:
        limits.append((recent.filter(account_key=account, address_key=address), MOST_OF_PAIR))
    if not is_known:
        limits.append((recent.filter(account_key=account), MOST_OF_ACCOUNT))
        if address:
            limits.append((recent.filter(address_key=address), MOST_OF_ADDRESS))
    for failures, most in limits:
        # The wait ends when the oldest of the last so many leaves the hour.
        oldest = failures.values_list("failed_at", flat=True).order_by("-failed_at")[most - 1 : most].first()
        if oldest is not None:
            raise _wait(oldest + WITHIN - now)


def note_failure(caller: Caller, *, now: datetime) -> None:
    """Count one wrong password; forget those older than the hour."""
    is_known = _is_known_browser(caller, now)
    FailedLogIn.objects.create(
        account_key=_key("account", caller.name.casefold()),
        address_key=_KNOWN if is_known else _address_key(caller.address),
        failed_at=now,
    )
    FailedLogIn.objects.filter(failed_at__lte=now - WITHIN).delete()


def note_success(caller: Caller) -> None:
    """Clear what this person mistyped here. Failures from elsewhere keep counting."""
    account = _key("account", caller.name.casefold())
    here = [_KNOWN, *filter(None, [_address_key(caller.address)])]
    FailedLogIn.objects.filter(account_key=account, address_key__in=here).delete()


def browser_mark(person: Person, *, now: datetime) -> str:
    """Return the mark for this person's browser. It lets nobody in; a new password makes it worthless."""
    told = {"person": person.pk, "hash": _password_mark(person), "at": int(now.timestamp())}
    return signing.dumps(told, salt=_SALT)


def _is_known_browser(caller: Caller, now: datetime) -> bool:
    if not caller.mark:
        return False
    try:
        told = signing.loads(caller.mark, salt=_SALT)
    except signing.BadSignature:
        return False
    person = Person.objects.filter(pk=told["person"], username__iexact=caller.name).first()
    is_fresh = now.timestamp() - told["at"] < MARK_DAYS * 86_400
    return person is not None and is_fresh and told["hash"] == _password_mark(person)


def _password_mark(person: Person) -> str:
    return person.get_session_auth_hash()[:16]


def _address_key(address: str) -> str:
    return _key("address", network_of(address)) if address else ""


def network_of(address: str) -> str:
    """Return the address, or for IPv6 its /64: one household has that many addresses of its own."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return address[:60]
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped:
            return str(found.ipv4_mapped)
        return str(ipaddress.ip_network((found, 64), strict=False))
    return str(found)


def _key(what: str, value: str) -> str:
    return salted_hmac(f"{_SALT}.{what}", value, algorithm="sha256").hexdigest()


def _wait(left: timedelta) -> CannotDo:
    minutes = max(1, -int(-left.total_seconds() // 60))
    return CannotDo(
        message("Too many log-ins failed."),
        remedy=message(
            "Try again in {minutes} minute{minutes2}, or use a browser you logged in with before.",
            minutes=minutes,
            minutes2="s" if minutes > 1 else "",
        ),
    )


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
        _note(
            message("{count} session{count2} ended", count=count, count2="s" if count > 1 else ""),
            person,
            by,
            now,
        )
    return count


@transaction.atomic
def change_password(
    person: Person, password: str, *, keep_key: str | None, by: Person | None, now: datetime
) -> None:
    """Set a password that was looked at before, end the other sessions, and write it down."""
    person.set_password(password)
    person.save(update_fields=["password"])
    _note(message("password changed"), person, by, now)
    end_sessions(person, keep_key=keep_key, by=by, now=now)


@transaction.atomic
def shut(person: Person, *, by: Person | None, now: datetime) -> None:
    """Let a person in no more: log-in, sessions and tokens open nothing. What they did stays theirs."""
    if person.is_active:
        person.is_active = False
        person.save(update_fields=["is_active"])
        _note(message("log-in shut"), person, by, now)
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
