"""Secrets and signatures of webhooks, as the open specification “Standard Webhooks” has them.

Delivers what lies in the outbox: at least once, with growing waits; a dead address is let be.
A round of the outbox: everything that is due, one after the other.

A secret is derived from the webhook's salt and the installation's key. It is kept in no table, so a copy of
the database signs nothing.

A delivery is claimed for a while before the call. Whoever dies in between leaves the claim to run out; the
same event goes out again under the same id.
"""

import base64
import hashlib
import hmac
import random
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from typing import Final

from django.conf import settings
from django.core.mail import send_mail
from django.db import transaction
from django.db.models import F, Q
from django.utils.crypto import salted_hmac

from fleet.models import DeliveryState, Webhook, WebhookAttempt, WebhookDelivery, WebhookEvent
from fleet.webhooks import addresses
from fleet.webhooks.addresses import WHOLE_CALL_S, Answer, Network, call, target_of
from shared.errors import CannotDo
from shared.messages import message

PREFIX: Final = "whsec_"


def secret_of(salt: str) -> str:
    """Return the secret that belongs to a salt, as its receiver keeps it."""
    key = salted_hmac("tapward.webhook", salt, algorithm="sha256").digest()
    return PREFIX + base64.b64encode(key).decode()


def signature(secret: str, message_id: str, timestamp: int, body: bytes) -> str:
    """Return ``v1,`` and the HMAC-SHA256 over id, timestamp [s since 1970] and raw body, in base 64."""
    key = base64.b64decode(secret.removeprefix(PREFIX))
    signed = f"{message_id}.{timestamp}.".encode() + body
    return "v1," + base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()


def signed_headers(salts: list[str], message_id: str, timestamp: int, body: bytes) -> dict[str, str]:
    """Return the headers of a call; one signature for each secret that counts."""
    signatures = [signature(secret_of(salt), message_id, timestamp, body) for salt in salts]
    return {
        "content-type": "application/json",
        "user-agent": "Tapward-Webhooks/1",
        "webhook-id": message_id,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": " ".join(signatures),
    }


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


def due(now: datetime) -> list[int]:
    """Return the deliveries to be made now, the oldest first."""
    rows = WebhookDelivery.objects.filter(
        Q(claimed_until__isnull=True) | Q(claimed_until__lte=now),
        state=DeliveryState.WAITING, next_try_at__lte=now, webhook__is_on=True,
    )  # fmt: skip
    return list(rows.order_by("next_try_at", "pk").values_list("pk", flat=True)[:AT_ONCE])


def deliver(delivery_id: int, *, now: datetime, allowed: Sequence[Network]) -> bool | None:
    """Try one delivery. Returns whether it was taken; None when another sender has it."""
    claimed = WebhookDelivery.objects.filter(
        Q(claimed_until__isnull=True) | Q(claimed_until__lte=now),
        pk=delivery_id, state=DeliveryState.WAITING, next_try_at__lte=now,
    ).update(claimed_until=now + CLAIM, tries=F("tries") + 1)  # fmt: skip
    if not claimed:
        return None
    delivery = WebhookDelivery.objects.select_related("event", "webhook").get(pk=delivery_id)
    answer = _call(delivery, now, allowed)
    _settle(delivery, answer, now)
    return answer.is_good


def wait_after(tries: int) -> timedelta:
    """Return how long to wait after so many tries, with jitter."""
    wait = min(FIRST_WAIT * 4 ** (tries - 1), LONGEST_WAIT)
    return wait * random.uniform(1 - JITTER, 1 + JITTER)


def send_again(delivery: WebhookDelivery, *, now: datetime) -> None:
    """Have an event sent once more, delivered or given up. Its id stays. Raises CannotDo while it waits."""
    settled = WebhookDelivery.objects.filter(pk=delivery.pk).exclude(state=DeliveryState.WAITING)
    if not settled.update(
        state=DeliveryState.WAITING, tries=0, next_try_at=now, claimed_until=None, delivered_at=None
    ):
        raise CannotDo(
            message("This event is waiting to be sent already."), remedy=message("See when under Next try.")
        )


def forget_old(now: datetime) -> int:
    """Delete events nobody waits for any more after ``KEEP_DAYS``. Returns how many."""
    old = WebhookEvent.objects.filter(happened_at__lt=now - timedelta(days=KEEP_DAYS))
    waiting = WebhookDelivery.objects.filter(state=DeliveryState.WAITING).values("event_id")
    return old.exclude(pk__in=waiting).delete()[0]


def _call(delivery: WebhookDelivery, now: datetime, allowed: Sequence[Network]) -> Answer:
    """Look the address up anew each time: it may lead inside since it was entered."""
    try:
        target = target_of(delivery.webhook.url, allowed)
    except CannotDo as error:
        return Answer(None, 0, problem=error.sentence)
    except OSError as error:
        return Answer(None, 0, problem=f"{error}"[:200])
    body = delivery.event.body.encode()
    salts = [delivery.webhook.salt]
    if delivery.webhook.old_until and now < delivery.webhook.old_until:
        salts.append(delivery.webhook.old_salt)
    headers = signed_headers(salts, str(delivery.event_id), int(now.timestamp()), body)
    return call(target, body, headers)


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
            message(
                "{most_failures_in_row} tries in a row failed, the last: {said}",
                most_failures_in_row=MOST_FAILURES_IN_ROW,
                said=said,
            ),
        )


def _switch_off(hook: Webhook, because: str) -> None:
    """Let an address be, and tell whoever entered it."""
    if not Webhook.objects.filter(pk=hook.pk, is_on=True).update(is_on=False, off_because=because):
        return
    address = hook.made_by.email
    if address:
        transaction.on_commit(lambda: _tell(hook.name, because, address), robust=True)


def _tell(name: str, because: str, address: str) -> None:
    send_mail(
        f"Webhook {name} was switched off".replace("\n", " "),
        f"{because}.\n\nNothing is lost: events wait. Mend the receiver, then switch the webhook on again.",
        None,
        [address],
    )


def send_due(read_clock: Callable[[], datetime], *, most: int = 1000) -> tuple[int, int]:
    """Deliver what is due. Returns how many were taken, and how many not. May run twice, also at once."""
    allowed = addresses.networks(settings.WEBHOOK_NETWORKS)
    taken = failed = 0
    while taken + failed < most:
        ids = due(read_clock())
        if not ids:
            break
        for delivery_id in ids:
            came = deliver(delivery_id, now=read_clock(), allowed=allowed)
            taken += came is True
            failed += came is False
    return taken, failed
