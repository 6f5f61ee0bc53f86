"""Makes, finds and revokes tokens. A secret is 256 random bits: its plain SHA-256 is all that is kept."""

import hashlib
import secrets
from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Final

from django.db.models import Q

from api.models import ApiToken
from fleet.models import Person
from shared.errors import DomainError
from shared.messages import message
from shared.roles import ROLES, Permission, Role

PREFIX: Final = "tapward_"
"""Lets people and secret scanners recognise a token that lies about."""
MOST_DAYS: Final = 366
MOST_STANDING: Final = 20
ON_OFFER: Final = (
    Permission.SEE_FLEET,
    Permission.EDIT_FLEET,
    Permission.RECORD_READINGS,
    Permission.SEE_WORK,
    Permission.MANAGE_WORK,
    Permission.PLAN_ROUTES,
    Permission.SEE_REVENUE,
    Permission.CORRECT_MONEY,
)
"""What the operations ask for. A token for anything else would open nothing."""
NEVER_BY_TOKEN: Final = frozenset(
    {Permission.USE_API, Permission.MANAGE_PEOPLE, Permission.HANDLE_PERSONAL_DATA}
)
"""A token neither makes tokens nor people, nor erases them."""
_USE_NOTED_EVERY: Final = timedelta(minutes=1)


def permissions_on_offer(person: Person) -> list[Permission]:
    """Return what a token of this person may be allowed."""
    may = ROLES[Role(person.role)].may
    return [permission for permission in ON_OFFER if permission in may]


def make_token(
    person: Person, *, name: str, permissions: Iterable[Permission], days: int, now: datetime
) -> tuple[ApiToken, str]:
    """Make a token and return it with its secret, which nobody can read again. Raises DomainError."""
    wanted = list(dict.fromkeys(permissions))
    if not person.may(Permission.USE_API):
        raise DomainError(
            message("Your role may not make tokens."), remedy=message("Ask the owner for another role.")
        )
    if not wanted or not set(wanted) <= set(permissions_on_offer(person)):
        raise DomainError(
            message("A token may do no more than you, and something at least."),
            remedy=message("Choose from what is on offer."),
            field="permissions",
        )
    if not 1 <= days <= MOST_DAYS:
        raise DomainError(
            message("A token can't last {days} days.", days=days),
            remedy=message("Give 1 to {most_days} days.", most_days=MOST_DAYS),
            field="days",
        )
    if not name.strip():
        raise DomainError(
            message("The token has no name."),
            remedy=message("Name the program that will use it."),
            field="name",
        )
    if ApiToken.objects.active(now).filter(person=person).count() >= MOST_STANDING:
        raise DomainError(
            message("You have {most_standing} tokens already.", most_standing=MOST_STANDING),
            remedy=message("Revoke one that is not used."),
        )
    secret = PREFIX + secrets.token_urlsafe(32)
    token = ApiToken.objects.create(
        person=person,
        name=name.strip()[:80],
        secret_hash=hash_of(secret),
        secret_start=secret[: len(PREFIX) + 4],
        permissions=[permission.name.lower() for permission in wanted],
        made_at=now,
        expires_at=now + timedelta(days=days),
    )
    return token, secret


def find_token(secret: str, now: datetime) -> ApiToken | None:
    """Return the standing token of an active person, and note at most once a minute that it is in use."""
    tokens = ApiToken.objects.active(now).filter(person__is_active=True).select_related("person")
    token = tokens.filter(secret_hash=hash_of(secret)).first()
    if token is not None:
        unused = Q(last_used_at__isnull=True) | Q(last_used_at__lt=now - _USE_NOTED_EVERY)
        ApiToken.objects.filter(unused, pk=token.pk).update(last_used_at=now)
    return token


def revoke_token(token: ApiToken, *, now: datetime) -> bool:
    """Revoke a token; says whether it was still standing."""
    return bool(ApiToken.objects.filter(pk=token.pk, revoked_at__isnull=True).update(revoked_at=now))


def revoke_tokens_of(person: Person, *, now: datetime) -> list[str]:
    """Revoke all of a person's tokens. Returns the names of those that still opened a door."""
    tokens = list(ApiToken.objects.active(now).filter(person=person))
    return [token.name for token in tokens if revoke_token(token, now=now)]


def hash_of(secret: str) -> str:
    """Return what is kept of a secret."""
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()
