"""Writes the audit trail, for changes whose own table keeps no history."""

from datetime import datetime

from fleet.models import AuditArea, AuditEntry, Person


def note(
    what: str, *, area: AuditArea, about: object = "", detail: str = "", by: Person | None, now: datetime
) -> None:
    """Add one entry. Never give it a secret, or a value that may not be kept."""
    AuditEntry.objects.create(
        at=now, by=by, area=area, what=what[:80], about=str(about)[:200], detail=detail[:2000]
    )
