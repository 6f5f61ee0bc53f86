"""Entering, changing and switching webhooks; new secrets with an overlap."""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Final

from django.db import transaction

from fleet.models import DeliveryState, Person, Webhook, WebhookKind
from fleet.webhooks import sending
from fleet.webhooks.addresses import Network, target_of
from fleet.webhooks.models import new_salt
from shared.errors import CannotDo
from shared.messages import message

OVERLAP: Final = timedelta(days=1)
"""How long the old secret signs beside the new one."""


def add(
    *, name: str, url: str, kinds: Iterable[str], by: Person, now: datetime, allowed: Sequence[Network]
) -> tuple[Webhook, str]:
    """Enter an address; it hears of the branch of whoever entered it. Returns it with its secret, once.

    Raises CannotDo for an address that may not be called, or when nothing is chosen.
    """
    wanted = [kind for kind in WebhookKind.values if kind in set(kinds)]
    if not wanted:
        raise CannotDo(
            message("Nothing is to be told."),
            remedy=message("Choose one kind of event at least."),
            field="kinds",
        )
    check_url(url, allowed)
    hook = Webhook.objects.create(
        name=name, url=url, kinds=wanted, branch_id=by.branch_id, made_at=now, made_by=by
    )
    return hook, sending.secret_of(hook.salt)


def check_url(url: str, allowed: Sequence[Network]) -> None:
    """Refuse an address that may not be called now. Raises CannotDo."""
    try:
        target_of(url, allowed)
    except OSError as error:
        raise CannotDo(
            message("This host is not known to the name service."),
            remedy=message("Check the address."),
            field="url",
        ) from error


@transaction.atomic
def rotate(hook: Webhook, *, now: datetime) -> str:
    """Give a webhook a new secret; both sign for a day. Returns the new one, once.

    Raises CannotDo while an earlier change still overlaps: a third secret would lock the receiver out.
    """
    row = Webhook.objects.select_for_update().get(pk=hook.pk)
    if row.old_until and now < row.old_until:
        raise CannotDo(
            message("The last new secret still overlaps with the one before."),
            remedy=message(
                "Wait until {old_until:%d %b %Y, %H:%M} UTC, or enter the webhook anew.",
                old_until=row.old_until,
            ),
        )
    row.old_salt, row.old_until, row.salt = row.salt, now + OVERLAP, new_salt()
    row.save(update_fields=["salt", "old_salt", "old_until"])
    return sending.secret_of(row.salt)


@transaction.atomic
def switch(hook: Webhook, is_on: bool, *, by: Person, now: datetime) -> None:
    """Switch a webhook on or off. What waited meanwhile goes out from now on."""
    because = "" if is_on else message("Switched off by {by}", by=by)
    Webhook.objects.filter(pk=hook.pk).update(is_on=is_on, off_because=because[:200], failures_in_row=0)
    if is_on:
        hook.deliveries.filter(state=DeliveryState.WAITING).update(next_try_at=now, tries=0)
