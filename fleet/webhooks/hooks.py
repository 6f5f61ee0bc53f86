"""Entering, changing and switching webhooks; their secrets and signatures, as “Standard Webhooks” has them.

A secret is derived from the webhook's salt and the installation's key. It is kept in no table, so a copy of
the database signs nothing.
"""

import base64
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final

import standardwebhooks
from django.db import transaction
from django.utils.crypto import salted_hmac

from fleet.models import DeliveryState, Person, Webhook, WebhookKind
from fleet.webhooks.calling import Network, target_of
from fleet.webhooks.models import new_salt
from shared.errors import DomainError
from shared.messages import message

OVERLAP: Final = timedelta(days=1)
"""How long the old secret signs beside the new one."""


def secret_of(salt: str) -> str:
    """Return the secret that belongs to a salt, as its receiver keeps it."""
    key = salted_hmac("tapward.webhook", salt, algorithm="sha256").digest()
    return f"whsec_{base64.b64encode(key).decode()}"


def headers(hook: Webhook, message_id: str, body: str, *, now: datetime) -> dict[str, str]:
    """Return the headers of a call; one signature for each secret that counts."""
    salts = [hook.salt, hook.old_salt] if hook.old_until and now < hook.old_until else [hook.salt]
    moment = now.astimezone(UTC)
    signatures = [standardwebhooks.Webhook(secret_of(salt)).sign(message_id, moment, body) for salt in salts]
    return {
        "content-type": "application/json",
        "user-agent": "Tapward-Webhooks/1",
        "webhook-id": message_id,
        "webhook-timestamp": str(int(moment.timestamp())),
        "webhook-signature": " ".join(signatures),
    }


def add(
    *, name: str, url: str, kinds: Iterable[str], by: Person, now: datetime, allowed: Sequence[Network]
) -> tuple[Webhook, str]:
    """Enter an address; it hears of the branch of whoever entered it. Returns it with its secret, once.

    Raises DomainError for an address that may not be called, or when nothing is chosen.
    """
    wanted = [kind for kind in WebhookKind.values if kind in set(kinds)]
    if not wanted:
        raise DomainError(
            message("Nothing is to be told."),
            remedy=message("Choose one kind of event at least."),
            field="kinds",
        )
    target_of(url, allowed)
    hook = Webhook.objects.create(
        name=name, url=url, kinds=wanted, branch_id=by.branch_id, made_at=now, made_by=by
    )
    return hook, secret_of(hook.salt)


@transaction.atomic
def rotate(hook: Webhook, *, now: datetime) -> str:
    """Give a webhook a new secret; both sign for a day. Returns the new one, once.

    Raises DomainError while an earlier change still overlaps: a third secret would lock the receiver out.
    """
    row = Webhook.objects.select_for_update().get(pk=hook.pk)
    if row.old_until and now < row.old_until:
        raise DomainError(
            message("The last new secret still overlaps with the one before."),
            remedy=message(
                "Wait until {old_until:%d %b %Y, %H:%M} UTC, or enter the webhook anew.",
                old_until=row.old_until,
            ),
        )
    row.old_salt, row.old_until, row.salt = row.salt, now + OVERLAP, new_salt()
    row.save(update_fields=["salt", "old_salt", "old_until"])
    return secret_of(row.salt)


@transaction.atomic
def switch(hook: Webhook, is_on: bool, *, by: Person | str, now: datetime) -> None:
    """Switch a webhook on or off. What waited meanwhile goes out from now on."""
    because = "" if is_on else message("Switched off by {by}", by=by)
    Webhook.objects.filter(pk=hook.pk).update(is_on=is_on, off_because=because[:200], failures_in_row=0)
    if is_on:
        hook.deliveries.filter(state=DeliveryState.WAITING).update(next_try_at=now, tries=0)
