"""What is done to log-ins: passwords, sessions, the second factor and own settings; each leaves its trail.

The second factor is an app's code by time (TOTP, RFC 6238) or a recovery code on paper. The app's secret is
derived from the row's salt and the installation's key, so a copy of the database opens nothing. Recovery
codes have 49 random bits and are kept as password hashes (OWASP ASVS 5.0, 6.5.2).
"""

import secrets
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

import pyotp
from django.contrib.auth import SESSION_KEY
from django.contrib.auth.hashers import check_password, make_password
from django.contrib.sessions.models import Session
from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.crypto import constant_time_compare, get_random_string, salted_hmac
from django.utils.translation import gettext

from fleet.people import audit
from fleet.people.audit import AuditArea
from fleet.people.models import Person, RecoveryCode, SecondFactor
from shared.messages import message

RECOVERY_CODES: Final = 10
_ALPHABET: Final = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"
_LENGTH: Final = 10
_WINDOW: Final = 1
"""RFC 6238, section 5.2: one step for the network's delay; the one ahead for a fast clock. [steps]"""


def active_factor(person: Person) -> SecondFactor | None:
    """Return the confirmed second factor, if there is one."""
    return SecondFactor.objects.filter(person=person, confirmed_at__isnull=False).first()


def pending_factor(person: Person, *, now: datetime) -> SecondFactor | None:
    """Return the factor to be confirmed; the same one until it is. None while one is active."""
    factor, _ = SecondFactor.objects.get_or_create(
        person=person, defaults={"salt": secrets.token_hex(16), "begun_at": now}
    )
    return factor if factor.confirmed_at is None else None


@transaction.atomic
def confirm_factor(factor: SecondFactor, code: str, *, now: datetime) -> list[str]:
    """Activate the pending factor; return fresh recovery codes, shown this once.

    Raises ValidationError when the code is not the app's of this moment.
    """
    if not _use_totp(factor, code.strip(), now):
        wrong = gettext("Code incorrect or expired.")
        cure = gettext("Type the six digits the app shows now; look at the phone's clock if it goes on.")
        raise ValidationError({"code": f"{wrong} {cure}"})
    factor.confirmed_at = now
    factor.save(update_fields=["confirmed_at"])
    _note(message("second factor set up"), factor.person, factor.person, now)
    return _new_recovery_codes(factor)


@transaction.atomic
def renew_recovery_codes(factor: SecondFactor, *, now: datetime) -> list[str]:
    """Make all recovery codes anew; the old ones open nothing."""
    _note(message("recovery codes renewed"), factor.person, factor.person, now)
    return _new_recovery_codes(factor)


@transaction.atomic
def use_code(person: Person, code: str, *, now: datetime) -> bool:
    """Say whether a code opens the door: the app's of this moment, or a recovery code. Each opens it once."""
    factor = active_factor(person)
    if factor is None:
        return False
    typed = "".join(code.split()).replace("-", "").upper()
    if typed.isdigit():
        return _use_totp(factor, typed, now)
    unused = factor.recovery_codes.select_for_update().filter(used_at=None)
    found = next((one for one in unused if check_password(typed, one.code_hash)), None)
    if found is None:
        return False
    found.used_at = now
    found.save(update_fields=["used_at"])
    _note(message("recovery code used"), person, person, now, message("{left} left", left=unused.count()))
    return True


@transaction.atomic
def remove_factor(person: Person, *, by: Person | None, now: datetime) -> bool:
    """Take the factor and its codes away; says whether there was one."""
    count, _ = SecondFactor.objects.filter(person=person).delete()
    if count:
        _note(message("second factor taken away"), person, by, now)
    return bool(count)


def _use_totp(factor: SecondFactor, code: str, now: datetime) -> bool:
    totp = factor.totp
    steps = range(totp.timecode(now) - _WINDOW, totp.timecode(now) + _WINDOW + 1)
    step = next((one for one in steps if pyotp.utils.strings_equal(totp.generate_otp(one), code)), None)
    if step is None:
        return False
    # The same code again, or an older one, changes no row and opens nothing.
    return bool(SecondFactor.objects.filter(pk=factor.pk, last_step__lt=step).update(last_step=step))


def _new_recovery_codes(factor: SecondFactor) -> list[str]:
    codes = [get_random_string(_LENGTH, _ALPHABET) for _ in range(RECOVERY_CODES)]
    factor.recovery_codes.all().delete()
    RecoveryCode.objects.bulk_create(
        RecoveryCode(factor=factor, code_hash=make_password(code)) for code in codes
    )
    return [f"{code[:5]}-{code[5:]}" for code in codes]


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
    found = sorted(
        _sessions(person, now), key=lambda one: (one[0] == this_key, one[1].get("used_at", 0)), reverse=True
    )
    return [
        OwnSession(
            mark=_session_mark(key),
            began_at=_moment(data.get("began_at")),
            used_at=_moment(data.get("used_at")),
            browser=str(data.get("browser", "")),
            is_this=key == this_key,
        )
        for key, data in found
    ]


@transaction.atomic
def end_sessions(
    person: Person, *, keep_key: str | None, by: Person | None, now: datetime, mark: str = ""
) -> int:
    """End sessions other than the one kept, all of them or the marked one. Returns how many ended."""
    keys = [
        key
        for key, _ in _sessions(person, now)
        if key != keep_key and (not mark or constant_time_compare(_session_mark(key), mark))
    ]
    count, _ = Session.objects.filter(session_key__in=keys).delete()
    if count:
        ended = message("1 session ended") if count == 1 else message("{count} sessions ended", count=count)
        _note(ended, person, by, now)
    return count


def _sessions(person: Person, now: datetime) -> Iterator[tuple[str, dict[str, Any]]]:
    # A session says whose it is inside only; a company has hundreds of them, not millions.
    for session in Session.objects.filter(expire_date__gt=now).iterator():
        data = session.get_decoded()
        if data.get(SESSION_KEY) == str(person.pk):
            yield session.session_key, data


def _session_mark(key: str) -> str:
    return salted_hmac("tapward.own-sessions", key, algorithm="sha256").hexdigest()[:24]


def _moment(seconds: int | None) -> datetime | None:
    return None if seconds is None else datetime.fromtimestamp(seconds, tz=UTC)


@transaction.atomic
def change_password(
    person: Person, password: str, *, keep_key: str | None, by: Person | None, now: datetime
) -> int:
    """Set a password that was looked at before and end the other sessions. Returns how many ended."""
    person.set_password(password)
    person.save(update_fields=["password"])
    _note(message("password changed"), person, by, now)
    return end_sessions(person, keep_key=keep_key, by=by, now=now)


@transaction.atomic
def deactivate(person: Person, *, by: Person | None, now: datetime) -> None:
    """Let a person in no more. What they did stays theirs; their sessions and keys are to be ended, too."""
    if person.is_active:
        person.is_active = False
        person.save(update_fields=["is_active"])
        _note(message("log-in shut"), person, by, now)


@transaction.atomic
def save_own_settings(
    person: Person, fields: Sequence[str], before: dict[str, str], *, now: datetime
) -> None:
    """Save the fields that a person changed of the own row, with what they were before in the trail."""
    if fields:
        person.save(update_fields=fields)
        told = "; ".join(f"{name}: {before[name] or '–'} → {getattr(person, name) or '–'}" for name in fields)
        _note(message("own settings changed"), person, person, now, told)


def _note(what: str, person: Person, by: Person | None, now: datetime, detail: str = "") -> None:
    audit.note(what, area=AuditArea.PEOPLE, about=person.username, detail=detail, by=by, now=now)
