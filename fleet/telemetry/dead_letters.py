"""Messages that could not be taken: kept once each, tried again, dismissed."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from django.db.models import F

from fleet.models import DeadLetter, DeadLetterState, Person, WebhookKind
from fleet.telemetry.payload import MOST_BYTES, Unreadable
from fleet.webhooks import outbox
from shared.errors import DomainError
from shared.messages import message

KEPT_BYTES: Final = MOST_BYTES
"""Of a longer message only the beginning is kept; it is refused for its length anyway."""


@dataclass(frozen=True)
class Message:
    """What a broker delivers."""

    topic: str
    payload: bytes

    @property
    def fingerprint(self) -> str:
        """What it is known by when it comes again."""
        return hashlib.sha256(self.topic.encode() + b"\x00" + self.payload).hexdigest()


@dataclass(frozen=True)
class Refused:
    """A message that could not be taken, and why."""

    message: Message
    map_name: str
    field: str
    reason: str
    remedy: str
    branch_id: int | None = None

    @classmethod
    def because(
        cls, message: Message, why: Unreadable, map_name: str, branch_id: int | None = None
    ) -> "Refused":
        """Return it with its reason."""
        return cls(message, map_name, why.field[:120], why.message, why.remedy, branch_id)


def keep(refused: Sequence[Refused], *, now: datetime) -> int:
    """Keep refused messages, each once; the same one again counts up. Returns how many are new."""
    by_print = {one.message.fingerprint: one for one in refused}
    known = DeadLetter.objects.filter(fingerprint__in=list(by_print))
    known_prints = set(known.values_list("fingerprint", flat=True))
    known.exclude(state=DeadLetterState.DISMISSED).update(
        state=DeadLetterState.WAITING, settled_at=None, settled_by=None
    )
    known.update(times=F("times") + 1, last_at=now)
    fresh = [_row(fingerprint, by_print[fingerprint], now)
             for fingerprint in sorted(by_print) if fingerprint not in known_prints]  # fmt: skip
    DeadLetter.objects.bulk_create(fresh, ignore_conflicts=True)
    outbox.publish(
        WebhookKind.READING_REFUSED,
        (
            outbox.OutboxEvent(
                row.branch_id, {"topic": row.topic[:200], "reason": row.reason, "remedy": row.remedy}
            )
            for row in fresh
        ),
        now=now,
    )
    return len(fresh)


def dismiss(letter: DeadLetter, *, by: Person, now: datetime) -> None:
    """Put a message aside for good. Raises DomainError when somebody settled it already."""
    waiting = DeadLetter.objects.filter(pk=letter.pk, state=DeadLetterState.WAITING)
    if not waiting.update(state=DeadLetterState.DISMISSED, settled_at=now, settled_by=by):
        raise DomainError(message("This message is settled already."), remedy=message("Reload the list."))


def settle(letter: DeadLetter, refused: Sequence[Refused], *, by: Person, now: datetime) -> None:
    """Write what a further try came to. Raises DomainError when it was refused again."""
    if not refused:
        DeadLetter.objects.filter(pk=letter.pk).update(
            state=DeadLetterState.TAKEN, settled_at=now, settled_by=by
        )
        return
    (again,) = refused
    DeadLetter.objects.filter(pk=letter.pk).update(
        reason=again.reason, remedy=again.remedy, field=again.field, map_name=again.map_name,
        branch_id=again.branch_id,
    )  # fmt: skip
    raise DomainError(message("It was refused again: {reason}", reason=again.reason), remedy=again.remedy)


def message_of(letter: DeadLetter) -> Message:
    """Return the message as it came. Raises DomainError when only its beginning was kept."""
    payload = bytes(letter.payload)
    if len(payload) != letter.payload_bytes:
        raise DomainError(
            message("Only the beginning of this message was kept."),
            remedy=message("Have it sent again, shorter."),
        )
    return Message(letter.topic, payload)


def _row(fingerprint: str, one: Refused, now: datetime) -> DeadLetter:
    return DeadLetter(
        fingerprint=fingerprint,
        branch_id=one.branch_id,
        topic=one.message.topic,
        payload=one.message.payload[:KEPT_BYTES],
        payload_bytes=len(one.message.payload),
        map_name=one.map_name,
        field=one.field,
        reason=one.reason,
        remedy=one.remedy,
        first_at=now,
        last_at=now,
    )
