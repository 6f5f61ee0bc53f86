"""Closed months, the one lock of money, and what a run entered.

Enters what plans earn by the month; where a plan's terms have changed since, the difference.
Enters work and parts that no plan covers, and takes back what undone close-outs had earned.
Enters what was earned: plans by the month, work and parts outside plans from close-outs, once per cause.

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

from fleet.models import Branch, Person
from scheduling.contracts import plans
from scheduling.contracts.plan_money import DatedPrice, Relief, earned_in, months_of
from scheduling.contracts.plans import is_included
from scheduling.contracts.prices import limited_plans
from scheduling.models import (
    ClosedMonth,
    CloseOut,
    EntryKind,
    Outcome,
    PlanPeriod,
    PlanPrice,
    RevenueEntry,
    ServicePlan,
)
from scheduling.orders.kinds import OUTSIDE_PLANS
from shared.errors import CannotDo
from shared.messages import message
from shared.money import to_cents
from shared.periods import add_months, local_day, month_start

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
        return month, message(" (for {wanted:%Y-%m}, which is closed)", wanted=wanted)


def one_at_a_time() -> None:
    """Let nobody enter into a month while it is being closed. SQLite has one writer anyway."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [_LOCK])


def worded(text: str, late: str) -> str:
    """Return an entry's text cut to its column, with the words about a closed month kept."""
    return text[: 200 - len(late)] + late


PLANS_AT_ONCE: Final = 1000
"""Plans whose entries are held in memory together."""


def enter_plans(report: RevenueReport, months: Months, through: date, now: datetime) -> None:
    """Enter each plan's months; where a plan's terms have changed since, the difference.

    A plan whose start was moved is looked at as well when it begins after ``through`` by now: what was
    entered for months it no longer covers is corrected to nothing. Plans are read some at a time.
    """
    entered = RevenueEntry.objects.filter(plan=OuterRef("pk"), cause_key__startswith="plan:")
    ids = list(
        ServicePlan.objects.filter(Q(starts_on__lte=through) | Exists(entered))
        .order_by("pk")
        .values_list("pk", flat=True)
    )
    for first in range(0, len(ids), PLANS_AT_ONCE):
        fresh = _fresh_entries(ids[first : first + PLANS_AT_ONCE], months, through, now)
        RevenueEntry.objects.bulk_create(fresh, batch_size=BATCH)
        report.count(fresh)


def _fresh_entries(ids: list[int], months: Months, through: date, now: datetime) -> list[RevenueEntry]:
    """Return what some plans' months lack."""
    prices: dict[int, list[DatedPrice]] = defaultdict(list)
    rows = PlanPrice.objects.filter(plan__in=ids).order_by("plan_id", "from_on")
    for plan_id, from_on, amount in rows.values_list("plan_id", "from_on", "amount"):
        prices[plan_id].append(DatedPrice(from_on, amount))
    reliefs: dict[int, list[Relief]] = defaultdict(list)
    periods = PlanPeriod.objects.filter(plan__in=ids).order_by("plan_id", "from_on", "pk")
    for plan_id, *relief in periods.values_list("plan_id", "from_on", "to_on", "percent_off"):
        reliefs[plan_id].append(Relief(*relief))
    known = _known_plan_entries(ids)
    fresh: list[RevenueEntry] = []
    for plan in ServicePlan.objects.filter(pk__in=ids).order_by("pk"):
        due = {
            f"plan:{plan.pk}:{month:%Y-%m}": (month, _earned(plan, month, prices[plan.pk], reliefs[plan.pk]))
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
            month = date.fromisoformat(f"{key[-7:]}-01")
            if standing.amount and month <= through:
                fresh.append(_plan_change(plan, key, month, Decimal(0), standing, months, now))
    return fresh


@dataclass
class _Standing:
    """What a plan's month comes to so far: first entry, sum with its own changes, how many changes."""

    entry_id: int
    amount: Decimal
    changes: int = 0


def _known_plan_entries(ids: list[int]) -> dict[int, dict[str, _Standing]]:
    """Return plan -> cause -> what stands. Corrections by hand are left out: they stay as they are."""
    known: dict[int, dict[str, _Standing]] = defaultdict(dict)
    rows = RevenueEntry.objects.filter(plan__in=ids, cause_key__startswith="plan:").order_by("pk")
    for pk, plan_id, cause_key, amount in rows.values_list("pk", "plan_id", "cause_key", "amount").iterator():
        first, _, change = cause_key.partition(":change:")
        if change:
            standing = known[plan_id][first]
            standing.amount += amount
            standing.changes += 1
        else:
            known[plan_id][first] = _Standing(pk, amount)
    return known


def _earned(plan: ServicePlan, month: date, prices: list[DatedPrice], reliefs: list[Relief]) -> Decimal:
    return earned_in(
        month,
        interval=plan.interval,
        starts_on=plan.starts_on,
        ends_on=plan.ends_on,
        prices=prices,
        reliefs=reliefs,
    )


def _plan_entry(
    plan: ServicePlan, key: str, month: date, amount: Decimal, months: Months, now: datetime
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
        text=worded(f"{plan.code} {plan.name}, {month:%Y-%m}", late),
        entered_at=now,
    )


def _plan_change(
    plan: ServicePlan,
    key: str,
    month: date,
    amount: Decimal,
    standing: _Standing,
    months: Months,
    now: datetime,
) -> RevenueEntry:
    placed, late = months.place(month)
    text = message(
        "{code} {name}, {month:%Y-%m}: {amount} instead of {amount2}",
        code=plan.code,
        name=plan.name,
        month=month,
        amount=amount,
        amount2=standing.amount,
    )
    return RevenueEntry(
        kind=EntryKind.CORRECTION,
        cause_key=f"{key}:change:{standing.changes + 1}",
        site_id=plan.site_id,
        treatment_unit_id=plan.treatment_unit_id,
        plan=plan,
        corrects_id=standing.entry_id,
        month=placed,
        amount=amount - standing.amount,
        text=worded(text, late),
        entered_at=now,
    )


WORK_PRICE_PER_HOUR: Final = Decimal("95.00")
"""Labour outside plans when the company sets none (WORK_PRICE_PER_HOUR). Our choice. [currency/h]"""


def enter_close_outs(report: RevenueReport, months: Months, through: date, now: datetime) -> None:
    """Enter work and parts that no plan covers. One-off work is outside every plan."""
    surely_covered = ServicePlan.objects.exclude(pk__in=ServicePlan.objects.filter(limited_plans())).filter(
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
        .exclude(~Q(order__kind__in=OUTSIDE_PLANS) & Exists(surely_covered))
        .select_related("order__site")
        .prefetch_related("parts__installed__kind")
        .order_by("pk")
    )
    site_plans: dict[int, list[ServicePlan]] = defaultdict(list)
    for plan in (
        ServicePlan.objects.filter(site__in=rows.values("order__site"))
        .order_by("pk")
        .prefetch_related("terms")
    ):
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
    row: CloseOut, done_on: date, site_plans: list[ServicePlan], months: Months, now: datetime
) -> list[RevenueEntry]:
    covered = plans.cover(site_plans, row.order.treatment_unit_id, done_on)
    work_by = covered.work_by
    if work_by is not None and not is_included(work_by, done_on, row.order.site.time_zone):
        work_by = None
    lines: list[tuple[str, str, Decimal, str]] = []
    # A second flush belongs to the change it follows and is not charged again.
    if (row.order.work_kind.is_outside_plans or work_by is None) and row.order.follows_id is None:
        amount = to_cents(_work_price() * row.minutes / 60)
        lines.append(
            (
                EntryKind.WORK,
                "work",
                amount,
                message("{order}: {minutes} min of work", order=row.order, minutes=row.minutes),
            )
        )
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
                text=worded(text, late),
                entered_at=now,
            )
        )
    return entries


def _work_price() -> Decimal:
    return Decimal(getattr(settings, "WORK_PRICE_PER_HOUR", WORK_PRICE_PER_HOUR))


def take_back_undone(report: RevenueReport, months: Months, now: datetime) -> None:
    """Correct what undone close-outs had earned to nothing, naming each entry."""
    undone = RevenueEntry.objects.filter(close_out__undone_at__isnull=False, corrects__isnull=True).annotate(
        corrected=Sum("corrections__amount")
    )
    taken_back = RevenueEntry.objects.filter(cause_key__startswith="undo:").values("corrects_id")
    fresh = []
    for entry in undone.exclude(pk__in=taken_back).order_by("pk"):
        stands = entry.amount + to_cents(entry.corrected or Decimal("0.00"))
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
                text=worded(message("Close-out undone: {text}", text=entry.text), late),
                entered_at=now,
            )
        )
    RevenueEntry.objects.bulk_create(fresh, batch_size=BATCH)
    report.count(fresh)


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
        raise CannotDo(
            message("A correction says why."), remedy=message("Write a few words."), field="because"
        )
    if entry.kind == EntryKind.CORRECTION:
        raise CannotDo(
            message("A correction is not corrected itself."),
            remedy=message("Correct the entry {corrects_id} it names.", corrects_id=entry.corrects_id),
        )
    stands = entry.amount + _sum(entry.corrections.all())
    difference = to_cents(to_amount) - stands
    if difference == 0:
        raise CannotDo(
            message("The entry stands at {stands} already.", stands=stands),
            remedy=message("Give another amount."),
        )
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
        text=worded(
            message("Correction of “{text}”: {because}", text=entry.text, because=because.strip()), late
        ),
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
    if add_months(month, 1) > _day_everywhere(now):
        raise CannotDo(
            message("{month:%Y-%m} is not over yet.", month=month),
            remedy=message("Close it once its last day has passed."),
        )
    enter_revenue(through=month, now=now)
    earlier = (
        RevenueEntry.objects.filter(month__lt=month)
        .exclude(month__in=ClosedMonth.objects.values("month"))
        .order_by("month")
        .values_list("month", flat=True)
        .first()
    )
    if earlier is not None:
        raise CannotDo(
            message("{earlier:%Y-%m} is still open.", earlier=earlier),
            remedy=message("Close {earlier:%Y-%m} first.", earlier=earlier),
        )
    return ClosedMonth.objects.create(month=month, closed_at=now, closed_by=by)


def _day_everywhere(now: datetime) -> date:
    """Return the day it is at least at the office and at every branch: a month ends with the last of them."""
    zones = {settings.TIME_ZONE, *Branch.objects.values_list("time_zone", flat=True)}
    return min(local_day(now, zone) for zone in zones)


def _sum(entries) -> Decimal:
    # SQLite adds in floating point, so the sum is brought back to the cent.
    return to_cents(entries.aggregate(total=Sum("amount"))["total"] or Decimal("0.00"))
