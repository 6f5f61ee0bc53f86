"""Secret addresses for calendar feeds: made, changed, switched off. The secret itself is never kept."""

import hashlib
import secrets
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import Q

from fleet.models import Person
from scheduling.models import CalendarFeed, Technician

SECRET_BYTES = 32
TOLD_EVERY = timedelta(minutes=15)
"""How exactly a feed remembers when it was last read."""


@transaction.atomic
def new_secret(technician: Technician, *, by: Person | None, now: datetime) -> str:
    """Return a fresh secret for a technician's feed. The one before, if any, opens nothing from now on.

    It is shown this once; only its hash is kept.
    """
    secret = secrets.token_urlsafe(SECRET_BYTES)
    CalendarFeed.objects.update_or_create(
        technician=technician,
        defaults={"secret_hash": hashed(secret), "made_at": now, "made_by": by, "last_read_at": None},
    )
    return secret


def switch_off(technician: Technician) -> bool:
    """Let no address open this technician's feed. Says whether one did."""
    deleted, _ = CalendarFeed.objects.filter(technician=technician).delete()
    return bool(deleted)


def feed_of(secret: str) -> CalendarFeed | None:
    """Return the feed a secret opens, or None. A technician who no longer works here has none."""
    feeds = CalendarFeed.objects.select_related("technician__branch")
    return feeds.filter(secret_hash=hashed(secret), technician__is_active=True).first()


def note_read(feed: CalendarFeed, now: datetime) -> None:
    """Remember that a feed was read, every quarter of an hour at most."""
    stale = Q(last_read_at__isnull=True) | Q(last_read_at__lt=now - TOLD_EVERY)
    CalendarFeed.objects.filter(stale, pk=feed.pk).update(last_read_at=now)


def hashed(secret: str) -> str:
    """Return what is kept of a secret. 256 random bits need no salt and no slow hash."""
    return hashlib.sha256(secret.encode()).hexdigest()
