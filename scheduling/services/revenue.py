"""Enters what was earned: plans by the month, work and parts outside plans from close-outs, once per cause.

Entries are added, never edited. What changed since is a correction that names its entry. A closed month
takes nothing more: what comes late falls into the next open month and says so.
"""

from datetime import date, datetime
from decimal import Decimal

from django.db import transaction
from django.db.models import Sum

from fleet.models import Person
from scheduling.models import ClosedMonth, EntryKind, RevenueEntry
from scheduling.services.revenue_close_outs import enter_close_outs, take_back_undone
from scheduling.services.revenue_months import Months, RevenueReport, one_at_a_time, worded
from scheduling.services.revenue_plans import enter_plans
from shared.errors import CannotDo
from shared.money import to_cents
from shared.periods import add_months, month_start

__all__ = ["RevenueReport", "close_month", "correct", "enter_revenue"]


@transaction.atomic
def enter_revenue(*, through: date, now: datetime) -> RevenueReport:
    """Enter everything earned up to and including the month of ``through`` that is not entered yet."""
    one_at_a_time()
    report, months = RevenueReport(), Months()
    enter_plans(report, months, through, now)
    enter_close_outs(report, months, through, now)
    take_back_undone(report, months, now)
    report.late = months.late
    return report


@transaction.atomic
def correct(
    entry: RevenueEntry, *, to_amount: Decimal, because: str, by: Person | None, now: datetime
) -> RevenueEntry:
    """Enter the difference that makes an entry, with its corrections, come to an amount.

    Raises CannotDo without a reason, for a correction of a correction, or when nothing would change.
    """
    one_at_a_time()
    if not because.strip():
        raise CannotDo("A correction says why.", remedy="Write a few words.", field="because")
    if entry.kind == EntryKind.CORRECTION:
        raise CannotDo(
            "A correction is not corrected itself.", remedy=f"Correct the entry {entry.corrects_id} it names."
        )
    stands = entry.amount + _sum(entry.corrections.all())
    difference = to_cents(to_amount) - stands
    if difference == 0:
        raise CannotDo(f"The entry stands at {stands} already.", remedy="Give another amount.")
    month, late = Months().place(entry.month)
    return RevenueEntry.objects.create(
        kind=EntryKind.CORRECTION,
        cause_key=f"correction:{entry.pk}:{entry.corrections.count() + 1}",
        site_id=entry.site_id,
        treatment_unit_id=entry.treatment_unit_id,
        plan_id=entry.plan_id,
        close_out_id=entry.close_out_id,
        corrects=entry,
        month=month,
        amount=difference,
        text=worded(f"Correction of “{entry.text}”: {because.strip()}", late),
        entered_at=now,
        entered_by=by,
    )


@transaction.atomic
def close_month(month: date, *, by: Person | None, now: datetime) -> ClosedMonth:
    """Freeze a month after entering what is still due in it. Closing it again changes nothing.

    Raises CannotDo for a month that is not over, or while an earlier one with entries is open.
    """
    one_at_a_time()
    month = month_start(month)
    known = ClosedMonth.objects.filter(month=month).first()
    if known is not None:
        return known
    if add_months(month, 1) > now.date():
        raise CannotDo(f"{month:%Y-%m} is not over yet.", remedy="Close it once its last day has passed.")
    enter_revenue(through=month, now=now)
    earlier = (
        RevenueEntry.objects.filter(month__lt=month)
        .exclude(month__in=ClosedMonth.objects.values("month"))
        .order_by("month")
        .values_list("month", flat=True)
        .first()
    )
    if earlier is not None:
        raise CannotDo(f"{earlier:%Y-%m} is still open.", remedy=f"Close {earlier:%Y-%m} first.")
    return ClosedMonth.objects.create(month=month, closed_at=now, closed_by=by)


def _sum(entries) -> Decimal:
    # SQLite adds in floating point, so the sum is brought back to the cent.
    return to_cents(entries.aggregate(total=Sum("amount"))["total"] or Decimal("0.00"))
