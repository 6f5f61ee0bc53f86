"""What was earned: plans by the month, work and parts outside plans from close-outs, each cause once.

Entries are added, never edited. What changed since is a correction that names its entry. A closed month
takes nothing more: what comes late falls into the next open month and says so.
"""

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any, Final

from django.conf import settings
from django.db import connection, transaction
from django.db.models import Exists, OuterRef, Q, Sum
from django.db.models.functions import TruncDate

from fleet.models import Branch, Person
from scheduling.contracts import plans
from scheduling.contracts.plan_money import DatedPrice, Discount, earned_in, months_of
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
    WorkOrder,
)
from scheduling.orders.kinds import OUTSIDE_PLANS
from shared.errors import DomainError
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


class _Run:
    """Entries of one run: each goes into its month, or, where that is closed, into the next open one."""

    def __init__(self, now: datetime) -> None:
        self.now, self.report = now, RevenueReport()
        self._closed = set(ClosedMonth.objects.values_list("month", flat=True))
        self._fresh: list[RevenueEntry] = []

    def entry(self, month: date, text: str, **columns: Any) -> RevenueEntry:
        """Return an unsaved entry. Its text is cut to the column, the words about a closed month are kept."""
        open_month = month
        while open_month in self._closed:
            open_month = add_months(open_month, 1)
        late = ""
        if open_month != month:
            self.report.late += 1
            late = message(" (for {wanted:%Y-%m}, which is closed)", wanted=month)
        return RevenueEntry(
            month=open_month, text=text[: 200 - len(late)] + late, entered_at=self.now, **columns
        )

    def enter(
        self, month: date, text: str, *, at: ServicePlan | WorkOrder | RevenueEntry, **columns: Any
    ) -> None:
        """Enter an amount at the site and treatment unit of a plan, an order or another entry."""
        place = {"site_id": at.site_id, "treatment_unit_id": at.treatment_unit_id}
        self._fresh.append(self.entry(month, text, **place, **columns))

    def save(self) -> None:
        """Write what was entered since the last time."""
        RevenueEntry.objects.bulk_create(self._fresh, batch_size=BATCH)
        for entry in self._fresh:
            self.report.amount += entry.amount
            self.report.by_kind[entry.kind] = self.report.by_kind.get(entry.kind, 0) + 1
        corrections = sum(entry.kind == EntryKind.CORRECTION for entry in self._fresh)
        self.report.corrected += corrections
        self.report.entered += len(self._fresh) - corrections
        self._fresh = []


def one_at_a_time() -> None:
    """Let nobody enter into a month while it is being closed. SQLite has one writer anyway."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [_LOCK])


PLANS_AT_ONCE: Final = 1000
"""Plans whose entries are held in memory together."""


def _enter_plans(run: _Run, through: date) -> None:
    """Enter each plan's months; where a plan's terms have changed since, the difference.

    A plan whose start was moved is looked at as well when it begins after ``through`` by now: what was
    entered for months it no longer covers is corrected to nothing. Plans are read some at a time.
    """
    entered = RevenueEntry.objects.filter(plan=OuterRef("pk"), cause_key__startswith="plan:")
    plans = ServicePlan.objects.filter(Q(starts_on__lte=through) | Exists(entered)).order_by("pk")
    ids = list(plans.values_list("pk", flat=True))
    for first in range(0, len(ids), PLANS_AT_ONCE):
        _enter_some_plans(run, ids[first : first + PLANS_AT_ONCE], through)
        run.save()


def _enter_some_plans(run: _Run, ids: list[int], through: date) -> None:
    prices: dict[int, list[DatedPrice]] = defaultdict(list)
    rows = PlanPrice.objects.filter(plan__in=ids).order_by("plan_id", "from_on")
    for plan_id, from_on, amount in rows.values_list("plan_id", "from_on", "amount"):
        prices[plan_id].append(DatedPrice(from_on, amount))
    discounts: dict[int, list[Discount]] = defaultdict(list)
    periods = PlanPeriod.objects.filter(plan__in=ids).order_by("plan_id", "from_on", "pk")
    for plan_id, *discount in periods.values_list("plan_id", "from_on", "to_on", "percent_off"):
        discounts[plan_id].append(Discount(*discount))
    known = entered_by_plan(ids)
    for plan in ServicePlan.objects.filter(pk__in=ids).order_by("pk"):
        entered = known.pop(plan.pk, {})
        for month in months_of(plan.starts_on, plan.ends_on, through):
            key = f"plan:{plan.pk}:{month:%Y-%m}"
            amount = earned_in(
                month, interval=plan.interval, starts_on=plan.starts_on, ends_on=plan.ends_on,
                prices=prices[plan.pk], discounts=discounts[plan.pk],
            )  # fmt: skip
            so_far = entered.pop(key, None)
            if so_far is None and amount:
                run.enter(
                    month, f"{plan.code} {plan.name}, {month:%Y-%m}", at=plan, plan=plan, kind=EntryKind.PLAN,
                    cause_key=key, amount=amount,
                )  # fmt: skip
            elif so_far is not None and so_far.amount != amount:
                _change_plan_entry(run, plan, key, month, amount, so_far)
        for key, so_far in entered.items():
            month = date.fromisoformat(f"{key[-7:]}-01")
            if so_far.amount and month <= through:
                _change_plan_entry(run, plan, key, month, Decimal(0), so_far)


@dataclass
class Entered:
    """What a plan's month comes to so far: first entry, sum with its own changes, how many changes."""

    entry_id: int
    amount: Decimal
    changes: int = 0


def entered_by_plan(ids: list[int]) -> dict[int, dict[str, Entered]]:
    """Return plan -> cause -> what stands. Corrections by hand are left out: they stay as they are."""
    known: dict[int, dict[str, Entered]] = defaultdict(dict)
    rows = RevenueEntry.objects.filter(plan__in=ids, cause_key__startswith="plan:").order_by("pk")
    for pk, plan_id, cause_key, amount in rows.values_list("pk", "plan_id", "cause_key", "amount").iterator():
        first, _, change = cause_key.partition(":change:")
        if change:
            so_far = known[plan_id][first]
            so_far.amount += amount
            so_far.changes += 1
        else:
            known[plan_id][first] = Entered(pk, amount)
    return known


def _change_plan_entry(
    run: _Run, plan: ServicePlan, key: str, month: date, amount: Decimal, so_far: Entered
) -> None:
    text = message(
        "{code} {name}, {month:%Y-%m}: {amount} instead of {amount2}",
        code=plan.code, name=plan.name, month=month, amount=amount, amount2=so_far.amount,
    )  # fmt: skip
    run.enter(
        month, text, at=plan, plan=plan, kind=EntryKind.CORRECTION, corrects_id=so_far.entry_id,
        cause_key=f"{key}:change:{so_far.changes + 1}", amount=amount - so_far.amount,
    )  # fmt: skip


WORK_PRICE_PER_HOUR: Final = Decimal("95.00")
"""Labour outside plans when the company sets none (WORK_PRICE_PER_HOUR). Our choice. [currency/h]"""


def _enter_close_outs(run: _Run, through: date) -> None:
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
    for row in rows.iterator(chunk_size=500):
        done_on = local_day(row.finished_at, row.order.site.time_zone)
        if done_on < last:
            _enter_close_out(run, row, done_on, site_plans[row.order.site_id])
    run.save()


def _enter_close_out(run: _Run, row: CloseOut, done_on: date, site_plans: list[ServicePlan]) -> None:
    order = row.order
    covered = plans.cover(site_plans, order.treatment_unit_id, done_on)
    is_work_covered = (
        not order.work_kind.is_outside_plans
        and covered.work_by is not None
        and is_included(covered.work_by, done_on, order.site.time_zone)
    )
    lines: list[tuple[str, str, Decimal, str]] = []
    # A second flush belongs to the change it follows and is not charged again.
    if not is_work_covered and order.follows_id is None:
        rate = Decimal(getattr(settings, "WORK_PRICE_PER_HOUR", WORK_PRICE_PER_HOUR))
        text = message("{order}: {minutes} min of work", order=order, minutes=row.minutes)
        lines.append((EntryKind.WORK, "work", to_cents(rate * row.minutes / 60), text))
    if covered.parts_by is None:
        for change in row.parts.all():
            if change.installed is not None:
                kind = change.installed.kind
                lines.append((EntryKind.PARTS, f"part:{change.pk}", kind.price, f"{order}: {kind.name}"))
    for entry_kind, cause, amount, text in lines:
        if amount:
            run.enter(
                month_start(done_on), text, at=order, close_out=row, kind=entry_kind,
                cause_key=f"close_out:{row.pk}:{cause}", amount=amount,
            )  # fmt: skip


def _void_undone(run: _Run) -> None:
    """Correct what undone close-outs had earned to nothing, naming each entry."""
    undone = RevenueEntry.objects.filter(close_out__undone_at__isnull=False, corrects__isnull=True).annotate(
        corrected=Sum("corrections__amount")
    )
    voided = RevenueEntry.objects.filter(cause_key__startswith="undo:").values("corrects_id")
    for entry in undone.exclude(pk__in=voided).order_by("pk"):
        stands = entry.amount + to_cents(entry.corrected or Decimal("0.00"))
        if stands:
            run.enter(
                entry.month, message("Close-out undone: {text}", text=entry.text), at=entry, corrects=entry,
                kind=EntryKind.CORRECTION, cause_key=f"undo:{entry.pk}", close_out_id=entry.close_out_id,
                amount=-stands,
            )  # fmt: skip
    run.save()


@transaction.atomic
def enter_revenue(*, through: date, now: datetime) -> RevenueReport:
    """Enter everything earned up to and including the month of ``through`` that is not entered yet."""
    one_at_a_time()
    run = _Run(now)
    _enter_plans(run, through)
    _enter_close_outs(run, through)
    _void_undone(run)
    return run.report


@transaction.atomic
def correct(
    entry: RevenueEntry, *, to_amount: Decimal, because: str, by: Person | None, now: datetime
) -> RevenueEntry:
    """Enter the difference that makes an entry, with its corrections, come to an amount.

    Raises DomainError without a reason, for a correction of a correction, or when nothing would change.
    """
    one_at_a_time()
    if not because.strip():
        raise DomainError(
            message("A correction says why."), remedy=message("Write a few words."), field="because"
        )
    if entry.kind == EntryKind.CORRECTION:
        raise DomainError(
            message("A correction is not corrected itself."),
            remedy=message("Correct the entry {corrects_id} it names.", corrects_id=entry.corrects_id),
        )
    # SQLite adds in floating point, so the sum is brought back to the cent.
    corrected = entry.corrections.aggregate(total=Sum("amount"))["total"] or Decimal("0.00")
    stands = entry.amount + to_cents(corrected)
    difference = to_cents(to_amount) - stands
    if difference == 0:
        raise DomainError(
            message("The entry stands at {stands} already.", stands=stands),
            remedy=message("Give another amount."),
        )
    correction = _Run(now).entry(
        entry.month,
        message("Correction of “{text}”: {because}", text=entry.text, because=because.strip()),
        kind=EntryKind.CORRECTION,
        cause_key=f"correction:{entry.pk}:{entry.corrections.count() + 1}",
        site_id=entry.site_id,
        treatment_unit_id=entry.treatment_unit_id,
        plan_id=entry.plan_id,
        close_out_id=entry.close_out_id,
        corrects=entry,
        amount=difference,
        entered_by=by,
    )
    correction.save(force_insert=True)
    return correction


def refuse_running(month: date, now: datetime) -> None:
    """Raise DomainError for a month that is not over at the office and at every branch."""
    zones = {settings.TIME_ZONE, *Branch.objects.values_list("time_zone", flat=True)}
    if add_months(month, 1) > min(local_day(now, zone) for zone in zones):
        raise DomainError(
            message("{month:%Y-%m} is not over yet.", month=month),
            remedy=message("Close it once its last day has passed."),
        )


@transaction.atomic
def close_month(month: date, *, by: Person | None, now: datetime) -> ClosedMonth:
    """Freeze a month after entering what is still due in it. Closing it again changes nothing.

    Raises DomainError for a month that is not over, or while an earlier one with entries is open.
    """
    one_at_a_time()
    month = month_start(month)
    known = ClosedMonth.objects.filter(month=month).first()
    if known is not None:
        return known
    refuse_running(month, now)
    enter_revenue(through=month, now=now)
    earlier = (
        RevenueEntry.objects.filter(month__lt=month)
        .exclude(month__in=ClosedMonth.objects.values("month"))
        .order_by("month")
        .values_list("month", flat=True)
        .first()
    )
    if earlier is not None:
        raise DomainError(
            message("{earlier:%Y-%m} is still open.", earlier=earlier),
            remedy=message("Close {earlier:%Y-%m} first.", earlier=earlier),
        )
    return ClosedMonth.objects.create(month=month, closed_at=now, closed_by=by)
