"""Batches handed over to the books, and what waits for the next."""

from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from django.db.models import Count, Q, Sum

from scheduling.models import ClosedMonth, InvoiceBatch, RevenueEntry
from shared.money import to_cents
from shared.periods import add_months, month_start


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


@dataclass(frozen=True)
class Invoices:
    """The page."""

    batches: list[BatchRow]
    newest_closed: date | None
    next_month: date | None
    """The oldest month that is over and not closed; None when all are."""
    waiting: int
    waiting_amount: Decimal


def invoices(today: date) -> Invoices:
    """Return batches, newest first, and what waits to be handed over. Four queries."""
    rows = InvoiceBatch.objects.select_related("made_by").annotate(
        entries=Count("lines", filter=Q(lines__tax_rate__isnull=True)),
        taxes=Count("lines", filter=Q(lines__tax_rate__isnull=False)),
        net=Sum("lines__amount", filter=Q(lines__tax_rate__isnull=True)),
        tax=Sum("lines__amount", filter=Q(lines__tax_rate__isnull=False)),
    )
    zero = Decimal("0.00")
    batches = [
        BatchRow(
            row.pk, str(row), row.through, row.made_at, str(row.made_by or ""), row.entries, row.taxes,
            to_cents(row.net or zero), to_cents(row.tax or zero),
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
        newest_closed=newest,
        next_month=following if following and following < month_start(today) else None,
        waiting=sums["count"],
        waiting_amount=to_cents(sums["total"] or zero),
    )
