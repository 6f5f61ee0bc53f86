"""A second factor at the log-in: codes of an app by time (TOTP, RFC 6238), and recovery codes on paper.

The secret is derived from the row's salt and the installation's key, so a copy of the database opens nothing.
Recovery codes have 50 random bits and are kept as password hashes (OWASP ASVS 5.0, 6.5.2).
"""

import base64
import hmac
import secrets
from datetime import datetime
from typing import Final

import pyotp
from django.conf import settings
from django.contrib.auth.hashers import check_password, make_password
from django.db import transaction
from django.utils.crypto import salted_hmac

from fleet.models import AuditArea, Person, RecoveryCode, SecondFactor
from fleet.people import audit
from shared.errors import CannotDo
from shared.messages import message

SECRET_BYTES: Final = 20
"""RFC 4226, section 4, requirement R6: 160 bits are recommended."""
STEP_SECONDS: Final = 30
STEPS_EITHER_WAY: Final = 1
"""RFC 6238, section 5.2: one step for the network's delay; the one ahead for a fast clock."""
RECOVERY_CODES: Final = 10
_ALPHABET: Final = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"
_LENGTH: Final = 10


def is_required(person: Person) -> bool:
    """Say whether the owner asks people of this role for a second factor."""
    return person.role in settings.SECOND_FACTOR_ROLES


def standing_factor(person: Person) -> SecondFactor | None:
    """Return the confirmed factor, if there is one."""
    return SecondFactor.objects.filter(person=person, confirmed_at__isnull=False).first()


def secret_of(factor: SecondFactor) -> str:
    """Return the secret in base 32, as an app takes it."""
    digest = salted_hmac("tapward.second-factor", factor.salt, algorithm="sha256").digest()
    return base64.b32encode(digest[:SECRET_BYTES]).decode()


def app_address(factor: SecondFactor) -> str:
    """Return the ``otpauth:`` address that an app reads from a picture."""
    name = factor.person.username
    return pyotp.TOTP(secret_of(factor)).provisioning_uri(name=name, issuer_name=settings.COMPANY_NAME)


@transaction.atomic
def begin(person: Person, *, now: datetime) -> SecondFactor:
    """Return the factor to be confirmed; the same one until it is. Raises CannotDo when one stands."""
    factor, _ = SecondFactor.objects.get_or_create(
        person=person, defaults={"salt": secrets.token_hex(16), "begun_at": now}
    )
    if factor.confirmed_at is not None:
        raise CannotDo(
            message("You have a second factor already."),
            remedy=message("Take it away first, then set the new one up."),
        )
    return factor


@transaction.atomic
def confirm(person: Person, code: str, *, now: datetime) -> list[str]:
    """Have the factor count from now on; return fresh recovery codes, shown this once.

    Raises CannotDo when the code is not the app's of this moment, or nothing was begun.
    """
    factor = SecondFactor.objects.select_for_update().filter(person=person, confirmed_at=None).first()
    if factor is None:
        raise CannotDo(
            message("No second factor was begun."),
            remedy=message("Open the page again and scan the picture."),
        )
    if not _take_code(factor, code, now):
        raise CannotDo(
            message("That is not the code of this moment."),
            remedy=message("Type the six digits the app shows now; look at the phone's clock if it goes on."),
            field="code",
        )
    factor.confirmed_at = now
    factor.save(update_fields=["confirmed_at"])
    _note(message("second factor set up"), person, person, now)
    return _fresh_codes(factor)


@transaction.atomic
def renew_recovery_codes(person: Person, *, now: datetime) -> list[str]:
    """Make all recovery codes anew; the old ones open nothing. Raises CannotDo without a factor."""
    factor = standing_factor(person)
    if factor is None:
        raise CannotDo(message("You have no second factor."), remedy=message("Set one up first."))
    _note(message("recovery codes made anew"), person, person, now)
    return _fresh_codes(factor)


@transaction.atomic
def take(person: Person, code: str, *, now: datetime) -> bool:
    """Say whether a code opens the door: the app's of this moment, or a recovery code. Each opens it once."""
    factor = standing_factor(person)
    if factor is None:
        return False
    typed = "".join(code.split()).replace("-", "").upper()
    if typed.isdigit():
        return _take_code(factor, typed, now)
    for one in factor.recovery_codes.select_for_update().filter(used_at=None):
        if check_password(typed, one.code_hash):
            one.used_at = now
            one.save(update_fields=["used_at"])
            left = factor.recovery_codes.filter(used_at=None).count()
            _note(message("recovery code used"), person, person, now, message("{left} left", left=left))
            return True
    return False


@transaction.atomic
def remove(person: Person, *, by: Person | None, now: datetime) -> bool:
    """Take the factor and its codes away; says whether there was one."""
    count, _ = SecondFactor.objects.filter(person=person).delete()
    if count:
        _note(message("second factor taken away"), person, by, now)
    return bool(count)


def _take_code(factor: SecondFactor, code: str, now: datetime) -> bool:
    app = pyotp.TOTP(secret_of(factor), interval=STEP_SECONDS)
    step = app.timecode(now)
    for one in range(step - STEPS_EITHER_WAY, step + STEPS_EITHER_WAY + 1):
        if hmac.compare_digest(app.generate_otp(one), code.strip()):
            # The same code again, or an older one, changes no row and opens nothing.
            fresh = SecondFactor.objects.filter(pk=factor.pk, last_step__lt=one)
            return bool(fresh.update(last_step=one))
    return False


def _fresh_codes(factor: SecondFactor) -> list[str]:
    codes = ["".join(secrets.choice(_ALPHABET) for _ in range(_LENGTH)) for _ in range(RECOVERY_CODES)]
    factor.recovery_codes.all().delete()
    RecoveryCode.objects.bulk_create(
        RecoveryCode(factor=factor, code_hash=make_password(code)) for code in codes
    )
    return [f"{code[:5]}-{code[5:]}" for code in codes]


def _note(what: str, person: Person, by: Person | None, now: datetime, detail: str = "") -> None:
    audit.note(what, area=AuditArea.PEOPLE, about=person.username, detail=detail, by=by, now=now)
