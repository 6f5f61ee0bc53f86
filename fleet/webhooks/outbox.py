"""Writes what other programs are to be told into the outbox, in the transaction of what happened.

Nobody wants it, nothing is written: then this costs one small query.
"""

import json
import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import transaction

from fleet.models import Webhook, WebhookDelivery, WebhookEvent, WebhookKind

BATCH = 1000


@dataclass(frozen=True)
class Told:
    """One event: whose branch it concerns (None: nobody's alone) and what it says."""

    branch_id: int | None
    data: dict[str, Any]


def listeners(kind: WebhookKind) -> list[Webhook]:
    """Return the addresses that want this kind of event."""
    return [one for one in Webhook.objects.filter(is_on=True) if kind in one.kinds]


@transaction.atomic
def announce(kind: WebhookKind, told: Iterable[Told], *, now: datetime) -> int:
    """Write events and a delivery for every address that wants them. Returns how many deliveries.

    ``told`` is only gone through when somebody listens.
    """
    wanting = listeners(kind)
    if not wanting:
        return 0
    events, deliveries = [], []
    for one in told:
        to = [hook for hook in wanting if hook.branch_id in (None, one.branch_id)]
        if not to:
            continue
        event = _event(kind, one.data, now)
        events.append(event)
        deliveries += [WebhookDelivery(event=event, webhook=hook, next_try_at=now) for hook in to]
    WebhookEvent.objects.bulk_create(events, batch_size=BATCH)
    WebhookDelivery.objects.bulk_create(deliveries, batch_size=BATCH)
    return len(deliveries)


def _event(kind: WebhookKind, data: dict[str, Any], now: datetime) -> WebhookEvent:
    event_id = uuid.uuid4()
    body = {"id": str(event_id), "type": str(kind), "timestamp": now.isoformat(), "data": data}
    text = json.dumps(body, ensure_ascii=True, separators=(",", ":"))
    return WebhookEvent(id=event_id, kind=kind, happened_at=now, body=text)
