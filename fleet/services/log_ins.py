"""Slows the guessing of passwords down, by account and by address; a stranger locks nobody out.

Three counts, each with its own limit within the last hour:

- one account from one address: a person who mistypes;
- one address over all accounts: a stranger trying many names;
- one account over all addresses: many machines trying one name.

A browser that logged in as this person before carries a signed mark. With it the last two do not count, so
that what strangers do never keeps a person from the own browser. Success clears the first count only.
"""

import ipaddress
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from django.core import signing
from django.utils.crypto import salted_hmac

from fleet.models import FailedLogIn, Person
from shared.errors import CannotDo

WITHIN: Final = timedelta(hours=1)
MOST_OF_PAIR: Final = 10
MOST_OF_ADDRESS: Final = 50
MOST_OF_ACCOUNT: Final = 100
MARK_DAYS: Final = 180
_SALT: Final = "tapward.log-ins"
_KNOWN: Final = "a browser known before"
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
        "Too many log-ins failed.",
        remedy=f"Try again in {minutes} minute{'s' if minutes > 1 else ''}, or use a browser you logged in "
        "with before.",
    )
