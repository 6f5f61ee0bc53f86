"""The outbox: written in the transaction of what happened, delivered at least once, with growing waits.

A delivery is claimed for a while before the call. Whoever dies in between leaves the claim to run out; the
same event goes out again under the same id.
"""

import json
import random
import uuid
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from django.conf import settings
from django.core.mail import send_mail
from django.db import transaction
from django.db.models import F, Q

from fleet.models import DeliveryState, Webhook, WebhookAttempt, WebhookDelivery, WebhookEvent, WebhookKind
from fleet.webhooks import hooks
from fleet.webhooks.calling import WHOLE_CALL_S, Answer, Network, call, networks, target_of
from shared.errors import DomainError
from shared.messages import message

BATCH: Final = 1000
AT_ONCE: Final = 200
MOST_TRIES: Final = 9
FIRST_WAIT: Final = timedelta(seconds=30)
"""Each further wait is four times as long, up to a day; about two and a half days in all."""
LONGEST_WAIT: Final = timedelta(days=1)
JITTER: Final = 0.2
CLAIM: Final = timedelta(seconds=6 * WHOLE_CALL_S)
MOST_FAILURES_IN_ROW: Final = 20
GONE: Final = 410
KEEP_DAYS: Final = 60


@dataclass(frozen=True)
class OutboxEvent:
    """One event: whose branch it concerns (None: nobody's alone) and what it says."""

    branch_id: int | None
    data: dict[str, Any]


def listeners(kind: WebhookKind) -> list[Webhook]:
    """Return the addresses that want this kind of event."""
    return [hook for hook in Webhook.objects.filter(is_on=True) if kind in hook.kinds]


@transaction.atomic
def publish(kind: WebhookKind, told: Iterable[OutboxEvent], *, now: datetime) -> int:
    """Write events and a delivery for every address that wants them. Returns how many deliveries.

    ``told`` is only gone through when somebody listens: else this costs one small query.
    """
    wanting = listeners(kind)
    if not wanting:
        return 0
    events, deliveries = [], []
    for one in told:
        to = [hook for hook in wanting if hook.branch_id in (None, one.branch_id)]
        if not to:
            continue
        event_id = uuid.uuid4()
        body = {"id": str(event_id), "type": str(kind), "timestamp": now.isoformat(), "data": one.data}
        text = json.dumps(body, ensure_ascii=True, separators=(",", ":"))
        event = WebhookEvent(id=event_id, kind=kind, happened_at=now, body=text)
        events.append(event)
        deliveries += [WebhookDelivery(event=event, webhook=hook, next_try_at=now) for hook in to]
    WebhookEvent.objects.bulk_create(events, batch_size=BATCH)
    WebhookDelivery.objects.bulk_create(deliveries, batch_size=BATCH)
    return len(deliveries)


def send_due(read_clock: Callable[[], datetime], *, most: int = 1000) -> tuple[int, int]:
    """Deliver what is due. Returns how many were taken, and how many not. May run twice, also at once."""
    allowed = networks(settings.WEBHOOK_NETWORKS)
    taken = failed = 0
    while taken + failed < most and (ids := due(read_clock())):
        for delivery_id in ids:
            came = deliver(delivery_id, now=read_clock(), allowed=allowed)
            taken += came is True
            failed += came is False
    return taken, failed


def due(now: datetime) -> list[int]:
    """Return the deliveries to be made now, the oldest first."""
    rows = _free(now).filter(webhook__is_on=True).order_by("next_try_at", "pk")
    return list(rows.values_list("pk", flat=True)[:AT_ONCE])


def deliver(delivery_id: int, *, now: datetime, allowed: Sequence[Network]) -> bool | None:
    """Try one delivery. Returns whether it was taken; None when another sender has it."""
    if not _free(now).filter(pk=delivery_id).update(claimed_until=now + CLAIM, tries=F("tries") + 1):
        return None
    delivery = WebhookDelivery.objects.select_related("event", "webhook").get(pk=delivery_id)
    try:
        # Looked up anew each time: it may lead inside since it was entered.
        target = target_of(delivery.webhook.url, allowed)
    except DomainError as error:
        answer = Answer(None, 0, problem=f"{error}"[:200])
    else:
        body = delivery.event.body
        headers = hooks.headers(delivery.webhook, str(delivery.event_id), body, now=now)
        answer = call(target, body.encode(), headers)
    _settle(delivery, answer, now)
    return answer.is_good


def wait_after(tries: int) -> timedelta:
    """Return how long to wait after so many tries, with jitter."""
    wait = min(FIRST_WAIT * 4 ** (tries - 1), LONGEST_WAIT)
    return wait * random.uniform(1 - JITTER, 1 + JITTER)


def send_again(delivery: WebhookDelivery, *, now: datetime) -> None:
    """Have an event sent once more, delivered or given up. Its id stays.

    Raises DomainError while it waits.
    """
    settled = WebhookDelivery.objects.filter(pk=delivery.pk).exclude(state=DeliveryState.WAITING)
    if not settled.update(
        state=DeliveryState.WAITING, tries=0, next_try_at=now, claimed_until=None, delivered_at=None
    ):
        raise DomainError(
            message("This event is waiting to be sent already."), remedy=message("See when under Next try.")
        )


def forget_old(now: datetime) -> int:
    """Delete events nobody waits for any more after ``KEEP_DAYS``. Returns how many."""
    old = WebhookEvent.objects.filter(happened_at__lt=now - timedelta(days=KEEP_DAYS))
    waiting = WebhookDelivery.objects.filter(state=DeliveryState.WAITING).values("event_id")
    return old.exclude(pk__in=waiting).delete()[0]


def _free(now: datetime):
    """Return what waits, is due and nobody has claimed."""
    unclaimed = Q(claimed_until__isnull=True) | Q(claimed_until__lte=now)
    return WebhookDelivery.objects.filter(unclaimed, state=DeliveryState.WAITING, next_try_at__lte=now)


@transaction.atomic
def _settle(delivery: WebhookDelivery, answer: Answer, now: datetime) -> None:
    """Write the attempt and what follows from it."""
    WebhookAttempt.objects.create(
        delivery=delivery, at=now, status=answer.status, milliseconds=answer.milliseconds,
        problem=answer.problem, answer=answer.text,
    )  # fmt: skip
    ours = WebhookDelivery.objects.filter(pk=delivery.pk, state=DeliveryState.WAITING)
    hook = Webhook.objects.filter(pk=delivery.webhook_id)
    if answer.is_good:
        ours.update(state=DeliveryState.DELIVERED, delivered_at=now, claimed_until=None)
        hook.update(failures_in_row=0)
        return
    if delivery.tries >= MOST_TRIES:
        ours.update(state=DeliveryState.FAILED, claimed_until=None)
    else:
        ours.update(next_try_at=now + wait_after(delivery.tries), claimed_until=None)
    hook.update(failures_in_row=F("failures_in_row") + 1)
    if answer.status == GONE:
        _switch_off(delivery.webhook, message("The receiver answered 410: it wants no more"))
    elif hook.filter(failures_in_row__gte=MOST_FAILURES_IN_ROW).exists():
        said = answer.problem or f"HTTP {answer.status}"
        _switch_off(
            delivery.webhook,
            message("{tries} tries in a row failed, the last: {said}", tries=MOST_FAILURES_IN_ROW, said=said),
        )


def _switch_off(hook: Webhook, because: str) -> None:
    """Let an address be, and tell whoever entered it."""
    if not Webhook.objects.filter(pk=hook.pk, is_on=True).update(is_on=False, off_because=because[:200]):
        return
    if hook.made_by.email:
        transaction.on_commit(lambda: _write_to_owner(hook, because), robust=True)


def _write_to_owner(hook: Webhook, because: str) -> None:
    send_mail(
        f"Webhook {hook.name} was switched off".replace("\n", " "),
        f"{because}.\n\nNothing is lost: events wait. Mend the receiver, then switch the webhook on again.",
        None,
        [hook.made_by.email],
    )
