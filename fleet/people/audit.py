"""Writes the audit trail, for changes whose own table keeps no history."""

import re
from collections.abc import Sequence
from datetime import datetime

from django.db import connection
from django.db.models import QuerySet

from fleet.models import AuditArea, AuditEntry, Person


def note(
    what: str, *, area: AuditArea, about: object = "", detail: str = "", by: Person | None, now: datetime
) -> None:
    """Add one entry. Never give it a secret, or a value that may not be kept."""
    AuditEntry.objects.create(at=now, by=by, area=area, what=what[:80], about=str(about)[:200], detail=detail)


def put_marks(words: Sequence[str], mark: str) -> int:
    """Put a mark where the trail holds an erased person's names. Returns how many entries changed.

    The only change the trail takes. On PostgreSQL a function of the owner does it, which changes nothing but
    these words; the web's own log-in may call it and may not change an entry otherwise.
    """
    wanted = [word for word in words if len(word) >= 3]
    if not wanted:
        return 0
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT fleet_auditentry_pseudonymise(%s, %s)", [wanted, mark])
            return cursor.fetchone()[0]
    pattern = re.compile("|".join(rf"(?<!\w){re.escape(word)}(?!\w)" for word in wanted), re.IGNORECASE)
    # Not the table's own manager, which refuses.
    plain = QuerySet(AuditEntry)
    count = 0
    for entry in plain.all():
        about, detail = pattern.sub(mark, entry.about)[:200], pattern.sub(mark, entry.detail)
        if (about, detail) != (entry.about, entry.detail):
            count += plain.filter(pk=entry.pk).update(about=about, detail=detail)
    return count
