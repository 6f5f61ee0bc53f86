"""Brings standing orders in line with findings and plans: raises, strengthens, withdraws, once per cause."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from django.db import transaction
from django.db.models import Exists, F, OuterRef, Q, QuerySet

from fleet.models import Finding
from scheduling.contracts import plans
from scheduling.models import OrderState, ServicePlan, WorkOrder, WorkOrderEvent, WorkOrderPart
from scheduling.orders import contents as orders_contents
from scheduling.orders import states, steps
from scheduling.orders.contents import SET_UP_MINUTES
from scheduling.orders.kinds import KIND_OF_FINDING, PLANNED
from shared.messages import message
from shared.periods import local_day

CHUNK: Final = 2000
_FINDING_COLUMNS = (
    "pk", "kind", "cause_key", "treatment_unit_id", "treatment_unit__site_id",
    "treatment_unit__site__time_zone", "part_id", "strength", "not_before_on", "early_on", "likely_on",
    "late_on", "why", "numbers", "part__kind_id", "part__kind__change_minutes", "part__kind__needs_flush",
    "part__kind__flush_gal", "part__kind__flush_gpm",
)  # fmt: skip


@dataclass
class RaiseReport:
    """What one run came to."""

    raised: dict[str, int] = field(default_factory=dict)
    strengthened: int = 0
    withdrawn: int = 0
    problems: list[str] = field(default_factory=list)

    @property
    def raised_total(self) -> int:
        return sum(self.raised.values())

    def count(self, kind: str, number: int = 1) -> None:
        """Add raised orders of a kind."""
        self.raised[kind] = self.raised.get(kind, 0) + number


def raise_work(*, now: datetime, unit_ids: Sequence[int] | None = None) -> RaiseReport:
    """Bring standing orders in line with standing findings and with what plans promise.

    ``unit_ids`` limits the run to some treatment units, e.g. after a close-out.
    """
    steps.ensure_step_sheets(now)
    report = RaiseReport()
    _withdraw_groundless(report, now, unit_ids)
    _strengthen(report, now, unit_ids)
    _raise_from_findings(report, now, unit_ids)
    if unit_ids is None:
        _raise_plan_visits(report, now)
    return report


def _withdraw_groundless(report: RaiseReport, now: datetime, unit_ids: Sequence[int] | None) -> None:
    """Withdraw orders whose finding is gone, whose site is closed or whose plan is over."""
    standing = _of(WorkOrder.objects.open(), unit_ids)
    twin = Finding.objects.filter(cause_key=OuterRef("cause_key"), gone_at__isnull=True)
    gone = standing.filter(finding__gone_at__isnull=False).exclude(Exists(twin))
    groups: dict[str, list[int]] = {}
    for pk, because in gone.values_list("pk", "finding__gone_because"):
        groups.setdefault(because or message("the finding is gone"), []).append(pk)
    closed = standing.filter(site__is_closed=True)
    groups.setdefault(message("the site is closed"), []).extend(closed.values_list("pk", flat=True))
    retired = standing.filter(treatment_unit__retired_on__isnull=False)
    groups.setdefault(message("the treatment unit was retired"), []).extend(
        retired.values_list("pk", flat=True)
    )
    over = standing.filter(kind=PLANNED.kind, plan__ends_on__lte=F("window_from"))
    groups.setdefault(message("the plan has ended"), []).extend(over.values_list("pk", flat=True))
    for because, ids in groups.items():
        with transaction.atomic():
            report.withdrawn += states.withdraw_all(ids, because, now, None)


def _strengthen(report: RaiseReport, now: datetime, unit_ids: Sequence[int] | None) -> None:
    """Bring standing orders up to their finding where it has changed since."""
    standing = Finding.objects.filter(gone_at__isnull=True)
    joined = _of(standing, unit_ids)
    order = WorkOrder.objects.open().filter(cause_key=OuterRef("cause_key"))
    same = order.filter(
        Q(likely_on=OuterRef("likely_on")) | Q(likely_on__isnull=True),
        finding_id=OuterRef("pk"), why=OuterRef("why"), strength=OuterRef("strength"),
        best_by_on__isnull=False,
    )  # fmt: skip
    for rows in _by_cause(joined.filter(Exists(order)).exclude(Exists(same)), 500):
        with transaction.atomic():
            report.strengthened += _strengthen_some(rows, now)


def _by_cause(findings: QuerySet[Finding], size: int) -> Iterator[list[dict]]:
    """Yield standing findings in the order of their causes, so many at a time.

    A first import finds some for every treatment unit; all at once they would take gigabytes.
    """
    last = ""
    while True:
        later = findings.filter(cause_key__gt=last).order_by("cause_key")
        rows = list(later.values(*_FINDING_COLUMNS)[:size])
        if not rows:
            return
        yield rows
        last = rows[-1]["cause_key"]


def _strengthen_some(rows: list[dict], now: datetime) -> int:
    by_key = {row["cause_key"]: row for row in rows}
    orders = list(
        WorkOrder.objects.open()
        .filter(cause_key__in=list(by_key))
        .select_for_update(skip_locked=True)
        .order_by("pk")
    )
    changed, events = [], []
    for order in orders:
        row = by_key[order.cause_key]
        if _is_level(order, row):
            continue
        events.append(_take_over(order, row, now))
        changed.append(order)
    WorkOrder.objects.bulk_update(
        changed,
        ["finding", "why", "numbers", "strength", "window_from", "best_by_on", "window_to", "likely_on",
         "minutes", "flush_minutes", "changed_at"],
        batch_size=250,
    )  # fmt: skip
    states.write_events(events)
    return len(changed)


def _is_level(order: WorkOrder, row: dict) -> bool:
    return (
        order.finding_id == row["pk"]
        and order.why == row["why"]
        and order.strength == row["strength"]
        and order.likely_on in (row["likely_on"], None)
        and order.best_by_on is not None
    )


def _take_over(order: WorkOrder, row: dict, now: datetime) -> WorkOrderEvent:
    """Write a finding's new figures into its order; return the line for its history."""
    raised_on = local_day(order.raised_at, row["treatment_unit__site__time_zone"])
    new = orders_contents.from_finding(row, raised_on)
    was = f"{order.strength:.2f}, {order.window_from:%d %b}–{order.window_to:%d %b}"
    if order.work_kind.follows_finding:
        order.window_from, order.window_to = new.window_from, new.window_to
    else:
        # Only a change has a date that readings may honestly put off; the rest would slide for ever.
        order.window_to = max(order.window_from, min(order.window_to, new.window_to))
    order.best_by_on = min(max(new.best_by_on, order.window_from), order.window_to)
    order.finding_id = row["pk"]
    order.why, order.numbers, order.strength = new.why, new.numbers, new.strength
    order.likely_on = new.likely_on
    order.minutes, order.flush_minutes = new.minutes, new.flush_minutes
    order.changed_at = now
    detail = message(
        "{why} Strength and window were {was}; now {strength:.2f}, {window_from:%d %b}–{window_to:%d %b}.",
        why=new.why,
        was=was,
        strength=order.strength,
        window_from=order.window_from,
        window_to=order.window_to,
    )
    return WorkOrderEvent(order=order, at=now, what=message("brought up to its finding"), detail=detail)


def _raise_from_findings(report: RaiseReport, now: datetime, unit_ids: Sequence[int] | None) -> None:
    """Raise an order for every standing finding that has none and is not held back."""
    standing_order = WorkOrder.objects.open().filter(cause_key=OuterRef("cause_key"))
    findings = (
        _of(Finding.objects.filter(gone_at__isnull=True), unit_ids)
        .filter(treatment_unit__site__is_closed=False, treatment_unit__retired_on__isnull=True)
        .filter(Q(part__isnull=True) | Q(part__removed_at__isnull=True))
        .exclude(Exists(standing_order))
        .exclude(_held(now))
    )
    for chunk in _by_cause(findings, CHUNK):
        contents = [
            orders_contents.from_finding(row, local_day(now, row["treatment_unit__site__time_zone"]))
            for row in chunk
        ]
        orders = [_order_of(row, new, now) for row, new in zip(chunk, contents, strict=True)]
        parts = {row["cause_key"]: new.part_kind_ids for row, new in zip(chunk, contents, strict=True)}
        _insert(report, orders, parts, now)


def _held(now: datetime) -> Exists:
    """Find what speaks against raising again: work on this very finding done or withdrawn a while ago."""
    over = WorkOrder.objects.filter(finding=OuterRef("pk"))
    # Work was done after the last assessment: let that look first.
    held = Q(state=OrderState.DONE, ended_at__gt=OuterRef("treatment_unit__state__assessed_at"))
    for found, kind in KIND_OF_FINDING.items():
        of_kind = Q(finding__kind=found)
        if days := kind.raised_from[found]:
            held |= of_kind & Q(state=OrderState.DONE, ended_at__gt=now - timedelta(days=days))
        since = now - timedelta(days=kind.hold_withdrawn_days)
        held |= of_kind & Q(state=OrderState.WITHDRAWN, ended_at__gt=since)
    return Exists(over.filter(held))


def _order_of(row: dict, new: orders_contents.Contents, now: datetime) -> WorkOrder:
    return WorkOrder(
        kind=new.kind,
        cause_key=row["cause_key"],
        treatment_unit_id=row["treatment_unit_id"],
        site_id=row["treatment_unit__site_id"],
        part_id=row["part_id"],
        finding_id=row["pk"],
        why=new.why,
        numbers=new.numbers,
        strength=new.strength,
        window_from=new.window_from,
        best_by_on=new.best_by_on,
        window_to=new.window_to,
        likely_on=new.likely_on,
        minutes=new.minutes,
        flush_minutes=new.flush_minutes,
        raised_at=now,
        changed_at=now,
    )


def _raise_plan_visits(report: RaiseReport, now: datetime) -> None:
    """Raise each promised visit once, whatever became of its order."""
    known = dict(WorkOrder.objects.filter(kind=PLANNED.kind).values_list("cause_key", "plan_id"))
    visits, homeless = plans.visits_due(now, set(known.values()))
    for plan in homeless:
        report.problems.append(
            message(
                "Plan {code} promises visits, but {name} has no treatment unit in "
                "service. Add one or end the plan.",
                code=plan.code,
                name=plan.site.name,
            )
        )
    orders = [_visit_order(visit, now) for visit in visits if visit.cause_key not in known]
    orders.sort(key=lambda order: order.cause_key)
    _insert(report, orders, {}, now)


def _visit_order(visit: plans.PlanVisit, now: datetime) -> WorkOrder:
    plan: ServicePlan = visit.plan
    today = local_day(now, plan.site.time_zone)
    first, last = visit.window
    return WorkOrder(
        kind=PLANNED.kind,
        cause_key=visit.cause_key,
        treatment_unit_id=visit.treatment_unit_id,
        site_id=plan.site_id,
        plan=plan,
        why=visit.why,
        numbers={"due_on": visit.due_on.isoformat(), "every_months": plan.visit_every_months},
        strength=0.5,
        window_from=min(max(first, today), visit.due_on),
        best_by_on=visit.due_on,
        window_to=last,
        likely_on=visit.due_on,
        minutes=SET_UP_MINUTES + PLANNED.minutes,
        raised_at=now,
        changed_at=now,
    )


def _insert(
    report: RaiseReport, orders: list[WorkOrder], parts: dict[str, tuple[int, ...]], now: datetime
) -> None:
    """Insert orders in the order of their causes; those another worker has inserted are passed over.

    An order without any event is one of ours just written: everybody writes an order and its first event in
    one transaction.
    """
    for start in range(0, len(orders), CHUNK):
        chunk = orders[start : start + CHUNK]
        with transaction.atomic():
            WorkOrder.objects.bulk_create(chunk, batch_size=states.BATCH, ignore_conflicts=True)
            fresh = []
            for keys in states.in_batches([order.cause_key for order in chunk]):
                rows = WorkOrder.objects.open().filter(cause_key__in=keys, events__isnull=True)
                fresh += list(rows.values_list("pk", "cause_key", "kind", "why"))
            WorkOrderPart.objects.bulk_create(
                (
                    WorkOrderPart(order_id=pk, kind_id=kind_id)
                    for pk, key, _, _ in fresh
                    for kind_id in parts.get(key, ())
                ),
                batch_size=states.BATCH,
                ignore_conflicts=True,
            )
            states.write_events(
                [WorkOrderEvent(order_id=pk, what="raised", detail=why, at=now) for pk, _, _, why in fresh]
            )
        for _, _, kind, _ in fresh:
            report.count(kind)


def _of(rows, unit_ids: Sequence[int] | None):
    return rows if unit_ids is None else rows.filter(treatment_unit_id__in=list(unit_ids))
