"""Slows guessing down, by account and by address; a stranger locks nobody out.

Failures of the last hour count three times, passwords and second-factor codes each for themselves:

- one account from one address: a person who mistypes;
- one address over all accounts: a stranger trying many names;
- one account over all addresses: many machines trying one name.

Codes are asked for only after a right password, so their counts are out of a stranger's reach. A browser that
logged in as this person before carries a signed mark; with it the last two do not count, so that what
strangers do never keeps a person from the own browser. Success clears the first count only.
"""

import ipaddress
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from typing import Final

from django.core import signing
from django.core.exceptions import ValidationError
from django.utils.crypto import salted_hmac
from django.utils.translation import ngettext

from fleet.people.models import FailedLogIn, Person

WINDOW: Final = timedelta(hours=1)
MAX_PER_PAIR: Final = 10
MAX_PER_ADDRESS: Final = 50
MAX_PER_ACCOUNT: Final = 100
BROWSER_KNOWN_FOR: Final = timedelta(days=180)
_SALT: Final = "tapward.log-ins"
_KNOWN: Final = "a browser known before"
"""Stands in the address's place, so that such failures are counted by themselves."""


@dataclass(frozen=True)
class Attempt:
    """One try at a step ("password" or "code"): name, address and the browser's mark (each may be empty)."""

    name: str
    address: str
    mark: str = ""
    step: str = "password"

    @cached_property
    def is_from_known_browser(self) -> bool:
        """Say whether this person logged in with this browser before, with the password of today."""
        try:
            marked = signing.loads(self.mark, salt=_SALT, max_age=BROWSER_KNOWN_FOR)
        except signing.BadSignature:
            return False
        person = Person.objects.filter(pk=marked["person"], username__iexact=self.name).first()
        return person is not None and marked["hash"] == _password_mark(person)

    @property
    def account_key(self) -> str:
        """Return what stands for the account in the table."""
        return _key(f"{self.step}.account", self.name.casefold())

    @property
    def address_key(self) -> str:
        """Return what stands for the address, or for any known browser; empty when nothing is known."""
        if self.is_from_known_browser:
            return _KNOWN
        return _key(f"{self.step}.address", network_of(self.address)) if self.address else ""


def check(attempt: Attempt, *, now: datetime) -> None:
    """Raise ValidationError (too_many), naming the wait, when too many tries failed lately."""
    recent = FailedLogIn.objects.filter(failed_at__gt=now - WINDOW, failed_at__lte=now)
    account = recent.filter(account_key=attempt.account_key)
    address = recent.filter(address_key=attempt.address_key) if attempt.address_key else recent.none()
    limits = [(account & address, MAX_PER_PAIR)]
    if not attempt.is_from_known_browser:
        limits += [(account, MAX_PER_ACCOUNT), (address, MAX_PER_ADDRESS)]
    for failures, most in limits:
        # The wait ends when the oldest of the last so many leaves the hour.
        oldest = failures.order_by("-failed_at")[most - 1 : most].first()
        if oldest is not None:
            minutes = max(1, -int((now - WINDOW - oldest.failed_at).total_seconds() // 60))
            raise ValidationError(
                ngettext(
                    "Too many log-ins failed. Try again in %(minutes)d minute, or use a browser you logged "
                    "in with before.",
                    "Too many log-ins failed. Try again in %(minutes)d minutes, or use a browser you logged "
                    "in with before.",
                    minutes,
                ),
                code="too_many",
                params={"minutes": minutes},
            )


def note_failure(attempt: Attempt, *, now: datetime) -> None:
    """Count one wrong try; forget those older than the hour."""
    FailedLogIn.objects.create(
        account_key=attempt.account_key, address_key=attempt.address_key, failed_at=now
    )
    FailedLogIn.objects.filter(failed_at__lte=now - WINDOW).delete()


def note_success(attempt: Attempt) -> None:
    """Clear what this person mistyped here. Failures from elsewhere keep counting."""
    if attempt.address_key:
        FailedLogIn.objects.filter(account_key=attempt.account_key, address_key=attempt.address_key).delete()


def browser_mark(person: Person) -> str:
    """Return the mark for this person's browser. It lets nobody in; a new password makes it worthless."""
    return signing.dumps({"person": person.pk, "hash": _password_mark(person)}, salt=_SALT)


def network_of(address: str) -> str:
    """Return the address, or for IPv6 its /64: one household has that many addresses of its own."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return address[:60]
    if found.version == 4:
        return str(found)
    return str(found.ipv4_mapped or ipaddress.ip_network((found, 64), strict=False))


def _password_mark(person: Person) -> str:
    return person.get_session_auth_hash()[:16]


def _key(what: str, value: str) -> str:
    return salted_hmac(f"{_SALT}.{what}", value, algorithm="sha256").hexdigest()
