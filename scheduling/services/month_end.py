"""The end of a month in one go: enter, close, hand over; and the prices that rise. Safe to run again."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from django.db import transaction

from fleet.models import Person
from scheduling.models import ClosedMonth, InvoiceBatch, RevenueEntry
from scheduling.services import invoicing, prices, revenue
from shared.errors import CannotDo
from shared.periods import add_months, month_start

ESCALATE_AHEAD_DAYS: Final = 92
"""Prices that escalators bring are written so long ahead, in time for a notice of 60 or 90 days. Ours."""


@dataclass(frozen=True)
class MonthEnd:
    """What came of it."""

    closed: list[date]
    batch: InvoiceBatch | None
    """None when nothing was left to hand over."""


@transaction.atomic
def end_month(
    month: date, *, currency: str, by: Person | None, now: datetime, is_handed_over: bool = True
) -> MonthEnd:
    """Close a month and the open ones before it, oldest first, and hand their entries over.

    Raises CannotDo for a month that is not over, or one that is closed with nothing left to hand over.
    """
    month = month_start(month)
    revenue.enter_revenue(through=month, now=now)
    was_closed = set(ClosedMonth.objects.values_list("month", flat=True))
    first = RevenueEntry.objects.order_by("month").values_list("month", flat=True).first() or month
    closed = []
    one = min(first, month)
    while one <= month:
        if one not in was_closed:
            revenue.close_month(one, by=by, now=now)
            closed.append(one)
        one = add_months(one, 1)
    batch = None
    if is_handed_over:
        try:
            batch = invoicing.make_batch(through=month, currency=currency, by=by, now=now)
        except CannotDo:
            if not closed:
                raise
    return MonthEnd(closed, batch)


def raise_prices(*, today: date) -> prices.EscalationReport:
    """Write the prices that escalators bring in the coming months."""
    last = date.fromordinal(today.toordinal() + ESCALATE_AHEAD_DAYS)
    return prices.escalate(through=last, today=today)
