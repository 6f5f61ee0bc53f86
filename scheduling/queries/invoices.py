"""Batches handed over to the books, and what waits for the next."""

from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Final

from django.db.models import Count, Max, Q, Sum

from scheduling.models import ClosedMonth, InvoiceBatch, PaidFile, PaidLine, RevenueEntry
from shared.money import to_cents
from shared.periods import add_months, month_start

FILES_SHOWN: Final = 50


@dataclass(frozen=True)
class BatchRow:
    """One batch in the list."""

    pk: int
    name: str
    through: date
    made_at: datetime
    made_by: str
    entries: int
    taxes: int
    net: Decimal
    tax: Decimal
    lines: int
    paid_lines: int
    paid: Decimal
    newest_paid_on: date | None

    @property
    def open(self) -> Decimal:
        """What is not paid yet, tax included."""
        return self.net + self.tax - self.paid


@dataclass(frozen=True)
class PaidFileRow:
    """One file from the books."""

    pk: int
    name: str
    read_at: datetime
    read_by: str
    lines: int
    amount: Decimal
    taken_back_at: datetime | None


@dataclass(frozen=True)
class Invoices:
    """The page."""

    batches: list[BatchRow]
    files: list[PaidFileRow]
    newest_closed: date | None
    next_month: date | None
    """The oldest month that is over and not closed; None when all are."""
    waiting: int
    waiting_amount: Decimal


def invoices(today: date) -> Invoices:
    """Return batches, newest first, and what waits to be handed over. Six queries."""
    rows = InvoiceBatch.objects.select_related("made_by").annotate(
        entries=Count("lines", filter=Q(lines__tax_rate__isnull=True)),
        taxes=Count("lines", filter=Q(lines__tax_rate__isnull=False)),
        net=Sum("lines__amount", filter=Q(lines__tax_rate__isnull=True)),
        tax=Sum("lines__amount", filter=Q(lines__tax_rate__isnull=False)),
    )
    zero = Decimal("0.00")
    paid = {
        batch: (count, to_cents(total), newest)
        for batch, count, total, newest in PaidLine.objects.filter(counts=True)
        .values_list("line__batch")
        .annotate(count=Count("pk"), total=Sum("line__amount"), newest=Max("paid_on"))
        .order_by()
    }
    batches = [
        BatchRow(
            row.pk, str(row), row.through, row.made_at, str(row.made_by or ""), row.entries, row.taxes,
            to_cents(row.net or zero), to_cents(row.tax or zero), row.entries + row.taxes,
            *paid.get(row.pk, (0, zero, None)),
        )
        for row in rows.order_by("-pk")
    ]  # fmt: skip
    waiting = RevenueEntry.objects.filter(invoice_lines__isnull=True, month__lt=month_start(today))
    sums = waiting.aggregate(count=Count("pk"), total=Sum("amount"))
    newest = ClosedMonth.objects.order_by("-month").values_list("month", flat=True).first()
    first = RevenueEntry.objects.order_by("month").values_list("month", flat=True).first()
    following = add_months(newest, 1) if newest else first
    return Invoices(
        batches=batches,
        files=_files(),
        newest_closed=newest,
        next_month=following if following and following < month_start(today) else None,
        waiting=sums["count"],
        waiting_amount=to_cents(sums["total"] or zero),
    )


def _files() -> list[PaidFileRow]:
    files = PaidFile.objects.select_related("read_by").annotate(
        count=Count("lines"), amount=Sum("lines__line__amount")
    )
    return [
        PaidFileRow(
            row.pk, row.name, row.read_at, str(row.read_by or ""), row.count,
            to_cents(row.amount or Decimal(0)), row.taken_back_at,
        )
        for row in files.order_by("-pk")[:FILES_SHOWN]
    ]  # fmt: skip
