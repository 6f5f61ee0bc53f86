"""Closed months, the one lock of money, and what a run entered."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Final

from django.db import connection

from scheduling.models import ClosedMonth, EntryKind, RevenueEntry
from shared.periods import add_months

BATCH: Final = 2000
_LOCK: Final = 7_241_931
"""Names the one lock of this room in PostgreSQL; any number that nobody else uses."""


@dataclass
class RevenueReport:
    """What one run entered."""

    entered: int = 0
    corrected: int = 0
    late: int = 0
    amount: Decimal = Decimal("0.00")
    by_kind: dict[str, int] = field(default_factory=dict)

    def count(self, entries: Iterable[RevenueEntry]) -> None:
        """Add what was written."""
        for entry in entries:
            self.amount += entry.amount
            self.by_kind[entry.kind] = self.by_kind.get(entry.kind, 0) + 1
            if entry.kind == EntryKind.CORRECTION:
                self.corrected += 1
            else:
                self.entered += 1


class Months:
    """Which months are closed, and where what comes late goes."""

    def __init__(self) -> None:
        self.closed = set(ClosedMonth.objects.values_list("month", flat=True))
        self.late = 0

    def place(self, month: date) -> tuple[date, str]:
        """Return the month an amount falls into, and the words that say why when it is another."""
        wanted = month
        while month in self.closed:
            month = add_months(month, 1)
        if month == wanted:
            return month, ""
        self.late += 1
        return month, f" (for {wanted:%Y-%m}, which is closed)"


def one_at_a_time() -> None:
    """Let nobody enter into a month while it is being closed. SQLite has one writer anyway."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [_LOCK])


def worded(text: str, late: str) -> str:
    """Return an entry's text cut to its column, with the words about a closed month kept."""
    return text[: 200 - len(late)] + late
