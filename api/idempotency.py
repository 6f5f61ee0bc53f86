"""Makes a repeated call safe: the same key and body get the same answer, another body is refused.

The header is that of the IETF draft "The Idempotency-Key HTTP Header Field".
"""

import gzip
from datetime import datetime, timedelta
from typing import Final

from django.db import transaction

from api.errors import Refusal
from api.models import IdempotencyRecord
from fleet.models import Person

KEPT_FOR: Final = timedelta(days=7)
CLAIM_LASTS: Final = timedelta(minutes=15)
"""A call that never answered was lost with its process; after this its key may be tried again."""
MOST_KEY_CHARACTERS: Final = 255


@transaction.atomic
def acquire(person: Person, key: str, body_hash: str, now: datetime) -> IdempotencyRecord:
    """
    Acquire a key for one call.

    Returns
    -------
    IdempotencyRecord
        With a status: the answer of the call before, to be sent again. Without: go on, then ``store``.

    Raises
    ------
    Refusal
        400 for a key that is none, 409 while the first call is at work, 422 for another body.
    """
    if not key or len(key) > MOST_KEY_CHARACTERS or not key.isascii() or not key.isprintable():
        raise Refusal(
            400,
            "This needs an Idempotency-Key.",
            "Send a new UUID with each new body, the same to repeat it.",
        )
    IdempotencyRecord.objects.filter(person=person, claimed_at__lt=now - KEPT_FOR).delete()
    fresh = {"body_hash": body_hash, "claimed_at": now}
    record, is_new = IdempotencyRecord.objects.select_for_update().get_or_create(
        person=person, key=key, defaults=fresh
    )
    if is_new:
        return record
    if record.body_hash != body_hash:
        raise Refusal(422, "This Idempotency-Key was used with another body.", "Make a new key.")
    if record.status is not None:
        return record
    if record.claimed_at > now - CLAIM_LASTS:
        raise Refusal(409, "The first call with this key is still at work.", "Ask again in a minute.")
    record.claimed_at = now
    record.save(update_fields=["claimed_at"])
    return record


def store(record: IdempotencyRecord, *, status: int, body: bytes, now: datetime) -> None:
    """Store what a call was answered."""
    IdempotencyRecord.objects.filter(pk=record.pk).update(
        status=status, answer=gzip.compress(body, compresslevel=6, mtime=0), answered_at=now
    )


def release(record: IdempotencyRecord) -> None:
    """Give a key back whose call was refused before it wrote anything, or broke off."""
    IdempotencyRecord.objects.filter(pk=record.pk, status__isnull=True).delete()


def answer_of(record: IdempotencyRecord) -> bytes:
    """Return what the call before was answered."""
    return gzip.decompress(bytes(record.answer))
