"""Enters what was earned: plans by the month, work and parts outside plans from close-outs, once per cause.

Entries are added, never edited. What changed since is a correction that names its entry. A closed month
takes nothing more: what comes late falls into the next open month and says so.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Final

from django.conf import settings
from django.db import connection, transaction
from django.db.models import Exists, OuterRef, Q, Sum
from django.db.models.functions import TruncDate

from fleet.models import Person
from scheduling.models import (
    ClosedMonth,
    CloseOut,
    EntryKind,
    OrderKind,
    Outcome,
    PlanPrice,
    RevenueEntry,
    ServicePlan,
)
from scheduling.services import plans
from scheduling.services.plan_money import DatedPrice, earned_in, months_of
from shared.errors import CannotDo
from shared.money import to_cents
from shared.periods import add_months, local_day, month_start

WORK_PRICE_PER_HOUR: Final = Decimal("95.00")
"""Labour outside plans when the company sets none (WORK_PRICE_PER_HOUR). Our choice. [currency/h]"""
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


class _Months:
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


@transaction.atomic
def enter_revenue(*, through: date, now: datetime) -> RevenueReport:
    """Enter everything earned up to and including the month of ``through`` that is not entered yet."""
    _one_at_a_time()
    report, months = RevenueReport(), _Months()
    _enter_plans(report, months, through, now)
    _enter_close_outs(report, months, through, now)
    _take_back_undone(report, months, now)
    report.late = months.late
    return report


@transaction.atomic
def correct(
    entry: RevenueEntry, *, to_amount: Decimal, because: str, by: Person | None, now: datetime
) -> RevenueEntry:
    """Enter the difference that makes an entry, with its corrections, come to an amount.

    Raises CannotDo without a reason, for a correction of a correction, or when nothing would change.
    """
    _one_at_a_time()
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
    month, late = _Months().place(entry.month)
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
        text=f"Correction of “{entry.text}”: {because.strip()}"[: 200 - len(late)] + late,
        entered_at=now,
        entered_by=by,
    )


@transaction.atomic
def close_month(month: date, *, by: Person | None, now: datetime) -> ClosedMonth:
    """Freeze a month after entering what is still due in it. Closing it again changes nothing.

    Raises CannotDo for a month that is not over, or while an earlier one with entries is open.
    """
    _one_at_a_time()
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


def _one_at_a_time() -> None:
    """Let nobody enter into a month while it is being closed. SQLite has one writer anyway."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [_LOCK])


def _sum(entries) -> Decimal:
    return entries.aggregate(total=Sum("amount"))["total"] or Decimal("0.00")


def _enter_plans(report: RevenueReport, months: _Months, through: date, now: datetime) -> None:
    """Enter each plan's months; where a plan's terms have changed since, the difference."""
    prices: dict[int, list[DatedPrice]] = defaultdict(list)
    rows = PlanPrice.objects.order_by("plan_id", "from_on")
    for plan_id, from_on, amount in rows.values_list("plan_id", "from_on", "amount"):
        prices[plan_id].append(DatedPrice(from_on, amount))
    known = _known_plan_entries()
    fresh: list[RevenueEntry] = []
    for plan in ServicePlan.objects.filter(starts_on__lte=through).order_by("pk").iterator(chunk_size=2000):
        due = {
            f"plan:{plan.pk}:{month:%Y-%m}": (month, _earned(plan, month, prices[plan.pk]))
            for month in months_of(plan.starts_on, plan.ends_on, through)
        }
        entered = known.pop(plan.pk, {})
        for key, (month, amount) in due.items():
            standing = entered.pop(key, None)
            if standing is None and amount:
                fresh.append(_plan_entry(plan, key, month, amount, months, now))
            elif standing is not None and standing.amount != amount:
                fresh.append(_plan_change(plan, key, month, amount, standing, months, now))
        for key, standing in entered.items():
            if standing.amount:
                month = date.fromisoformat(f"{key[-7:]}-01")
                if month <= through:
                    fresh.append(_plan_change(plan, key, month, Decimal(0), standing, months, now))
    RevenueEntry.objects.bulk_create(fresh, batch_size=BATCH)
    report.count(fresh)


@dataclass
class _Standing:
    """What a plan's month comes to so far: first entry, sum with its own changes, how many changes."""

    entry_id: int
    amount: Decimal
    changes: int = 0


def _known_plan_entries() -> dict[int, dict[str, _Standing]]:
    """Return plan -> cause -> what stands. Corrections by hand are left out: they stay as they are."""
    known: dict[int, dict[str, _Standing]] = defaultdict(dict)
    rows = RevenueEntry.objects.filter(plan__isnull=False, cause_key__startswith="plan:").order_by("pk")
    for pk, plan_id, cause_key, amount in rows.values_list("pk", "plan_id", "cause_key", "amount").iterator():
        first, _, change = cause_key.partition(":change:")
        if change:
            standing = known[plan_id][first]
            standing.amount += amount
            standing.changes += 1
        else:
            known[plan_id][first] = _Standing(pk, amount)
    return known


def _earned(plan: ServicePlan, month: date, prices: list[DatedPrice]) -> Decimal:
    return earned_in(
        month, interval=plan.interval, starts_on=plan.starts_on, ends_on=plan.ends_on, prices=prices
    )


def _plan_entry(
    plan: ServicePlan, key: str, month: date, amount: Decimal, months: _Months, now: datetime
) -> RevenueEntry:
    placed, late = months.place(month)
    return RevenueEntry(
        kind=EntryKind.PLAN,
        cause_key=key,
        site_id=plan.site_id,
        treatment_unit_id=plan.treatment_unit_id,
        plan=plan,
        month=placed,
        amount=amount,
        text=f"{plan.code} {plan.name}, {month:%Y-%m}"[: 200 - len(late)] + late,
        entered_at=now,
    )


def _plan_change(
    plan: ServicePlan,
    key: str,
    month: date,
    amount: Decimal,
    standing: _Standing,
    months: _Months,
    now: datetime,
) -> RevenueEntry:
    placed, late = months.place(month)
    text = f"{plan.code} {plan.name}, {month:%Y-%m}: {amount} instead of {standing.amount}"
    return RevenueEntry(
        kind=EntryKind.CORRECTION,
        cause_key=f"{key}:change:{standing.changes + 1}",
        site_id=plan.site_id,
        treatment_unit_id=plan.treatment_unit_id,
        plan=plan,
        corrects_id=standing.entry_id,
        month=placed,
        amount=amount - standing.amount,
        text=text[: 200 - len(late)] + late,
        entered_at=now,
    )


def _enter_close_outs(report: RevenueReport, months: _Months, through: date, now: datetime) -> None:
    """Enter work and parts that no plan covers. One-off work is outside every plan."""
    surely_covered = ServicePlan.objects.filter(
        site=OuterRef("order__site"),
        treatment_unit__isnull=True,
        includes_parts=True,
        ends_on__isnull=True,
        starts_on__lt=OuterRef("utc_day"),
    )
    rows = (
        CloseOut.objects.filter(
            outcome__in=[Outcome.DONE, Outcome.BEDDING],
            undone_at__isnull=True,
            revenue_entries__isnull=True,
        )
        .annotate(utc_day=TruncDate("finished_at", tzinfo=UTC))
        .exclude(~Q(order__kind=OrderKind.ONE_OFF) & Exists(surely_covered))
        .select_related("order__site")
        .prefetch_related("parts__installed__kind")
        .order_by("pk")
    )
    site_plans: dict[int, list[ServicePlan]] = defaultdict(list)
    for plan in ServicePlan.objects.filter(site__in=rows.values("order__site")).order_by("pk"):
        site_plans[plan.site_id].append(plan)
    last = add_months(month_start(through), 1)
    fresh: list[RevenueEntry] = []
    for row in rows.iterator(chunk_size=500):
        done_on = local_day(row.finished_at, row.order.site.time_zone)
        if done_on < last:
            fresh += _close_out_entries(row, done_on, site_plans[row.order.site_id], months, now)
    RevenueEntry.objects.bulk_create(fresh, batch_size=BATCH)
    report.count(fresh)


def _close_out_entries(
    row: CloseOut, done_on: date, site_plans: list[ServicePlan], months: _Months, now: datetime
) -> list[RevenueEntry]:
    covered = plans.cover(site_plans, row.order.treatment_unit_id, done_on)
    is_one_off = row.order.kind == OrderKind.ONE_OFF
    lines: list[tuple[str, str, Decimal, str]] = []
    # A second flush belongs to the change it follows and is not charged again.
    if (is_one_off or covered.work_by is None) and row.order.follows_id is None:
        amount = to_cents(_work_price() * row.minutes / 60)
        lines.append((EntryKind.WORK, "work", amount, f"{row.order}: {row.minutes} min of work"))
    if covered.parts_by is None:
        for change in row.parts.all():
            if change.installed is not None:
                kind = change.installed.kind
                lines.append((EntryKind.PARTS, f"part:{change.pk}", kind.price, f"{row.order}: {kind.name}"))
    entries = []
    for kind, cause, amount, text in lines:
        if not amount:
            continue
        placed, late = months.place(month_start(done_on))
        entries.append(
            RevenueEntry(
                kind=kind,
                cause_key=f"close_out:{row.pk}:{cause}",
                site_id=row.order.site_id,
                treatment_unit_id=row.order.treatment_unit_id,
                close_out=row,
                month=placed,
                amount=amount,
                text=text[: 200 - len(late)] + late,
                entered_at=now,
            )
        )
    return entries


def _work_price() -> Decimal:
    return Decimal(getattr(settings, "WORK_PRICE_PER_HOUR", WORK_PRICE_PER_HOUR))


def _take_back_undone(report: RevenueReport, months: _Months, now: datetime) -> None:
    """Correct what undone close-outs had earned to nothing, naming each entry."""
    undone = RevenueEntry.objects.filter(close_out__undone_at__isnull=False, corrects__isnull=True).annotate(
        corrected=Sum("corrections__amount")
    )
    taken_back = RevenueEntry.objects.filter(cause_key__startswith="undo:").values("corrects_id")
    fresh = []
    for entry in undone.exclude(pk__in=taken_back).order_by("pk"):
        stands = entry.amount + (entry.corrected or Decimal("0.00"))
        if not stands:
            continue
        placed, late = months.place(entry.month)
        fresh.append(
            RevenueEntry(
                kind=EntryKind.CORRECTION,
                cause_key=f"undo:{entry.pk}",
                site_id=entry.site_id,
                treatment_unit_id=entry.treatment_unit_id,
                close_out_id=entry.close_out_id,
                corrects=entry,
                month=placed,
                amount=-stands,
                text=f"Close-out undone: {entry.text}"[: 200 - len(late)] + late,
                entered_at=now,
            )
        )
    RevenueEntry.objects.bulk_create(fresh, batch_size=BATCH)
    report.count(fresh)
