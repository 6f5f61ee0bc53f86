"""Makes a repeated call safe: the same key and body get the same answer, another body is refused.

The header is that of the IETF draft "The Idempotency-Key HTTP Header Field".
"""

import gzip
from datetime import datetime, timedelta
from typing import Final

from django.db import transaction

from api.models import KeptAnswer
from api.refusals import Refusal
from fleet.models import Person

KEPT_FOR: Final = timedelta(days=7)
CLAIM_LASTS: Final = timedelta(minutes=15)
"""A call that never answered was lost with its process; after this its key may be tried again."""
MOST_KEY_CHARACTERS: Final = 255


@transaction.atomic
def claim(person: Person, key: str, body_hash: str, now: datetime) -> KeptAnswer:
    """
    Claim a key for one call.

    Returns
    -------
    KeptAnswer
        With a status: the answer of the call before, to be sent again. Without: go on, then ``keep``.

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
    KeptAnswer.objects.filter(person=person, claimed_at__lt=now - KEPT_FOR).delete()
    fresh = {"body_hash": body_hash, "claimed_at": now}
    kept, is_new = KeptAnswer.objects.select_for_update().get_or_create(
        person=person, key=key, defaults=fresh
    )
    if is_new:
        return kept
    if kept.body_hash != body_hash:
        raise Refusal(422, "This Idempotency-Key was used with another body.", "Make a new key.")
    if kept.status is not None:
        return kept
    if kept.claimed_at > now - CLAIM_LASTS:
        raise Refusal(409, "The first call with this key is still at work.", "Ask again in a minute.")
    kept.claimed_at = now
    kept.save(update_fields=["claimed_at"])
    return kept


def keep(kept: KeptAnswer, *, status: int, body: bytes, now: datetime) -> None:
    """Keep what a call was answered."""
    KeptAnswer.objects.filter(pk=kept.pk).update(
        status=status, answer=gzip.compress(body, compresslevel=6, mtime=0), answered_at=now
    )


def let_go(kept: KeptAnswer) -> None:
    """Give a key back whose call was refused before it wrote anything, or broke off."""
    KeptAnswer.objects.filter(pk=kept.pk, status__isnull=True).delete()


def answer_of(kept: KeptAnswer) -> bytes:
    """Return what the call before was answered."""
    return gzip.decompress(bytes(kept.answer))
