"""The planner's overview: how the fleet stands, what changed since yesterday, what to do in order of risk."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from django.db.models import Count, Exists, F, Max, OuterRef, Q, QuerySet
from django.utils.translation import gettext_lazy

from fleet.models import AssessmentRun, Finding, FindingKind, ReadinessState, TreatmentUnit, UnitState
from scheduling.crew.day_load import AHEAD_DAYS, DayLoad, day_loads
from scheduling.models import FieldReport, StopOrder, WorkOrder
from scheduling.orders.kinds import WORK_KINDS
from scheduling.visits import field_reports
from shared.periods import days_late

ROWS_SHOWN: Final = 5
SILENT_DAYS: Final = 45
MOST_FROM_FIELD: Final = 50


@dataclass(frozen=True)
class Standing:
    """Key figures of the fleet."""

    units: int
    in_service: int
    flush_owed: int
    bedding: int
    idle: int
    out_of_service: int
    decaying: int
    silent: int
    late_orders: int
    due_this_week: int
    week_ends: date


@dataclass(frozen=True)
class TaskRow:
    """One thing to do."""

    order_id: int | None
    serial: str
    site_name: str
    why: str
    due_on: date | None
    days_late: int
    planned_on: date | None
    is_too_late: bool
    """Its route comes after its window."""


@dataclass(frozen=True)
class TaskGroup:
    """Things of one kind to do, with why they come where they come."""

    key: str
    title: str
    risk: str
    remedy: str
    tone: str
    count: int
    late: int
    unplaced: int
    too_late: int
    """On a route, but after the window."""
    rows: list[TaskRow]


@dataclass(frozen=True)
class Change:
    """What came or went since yesterday."""

    word: str
    came: int
    went: int


@dataclass(frozen=True)
class Overview:
    """The whole page."""

    standing: Standing
    groups: list[TaskGroup]
    changes: list[Change]
    days: list[DayLoad]
    assessed_at: datetime | None
    not_raised: int
    """Findings that never had an order, counted while no order stands: work the page can't show yet."""
    from_field: list[FieldReport]
    """What technicians brought back and nobody has answered, newest first."""


_FINDING_GROUPS: Final = {
    FindingKind.METER_FAULT: (
        gettext_lazy("Meters that misread"),
        gettext_lazy("Gallons were estimated; dates are less certain."),
        gettext_lazy("Have the meter read again or replaced."),
        "watch",
    ),
    FindingKind.READING_WANTED: (
        gettext_lazy("Silent meters"),
        gettext_lazy("Without a reading the due dates rest on the design duty."),
        gettext_lazy("Ask the site for the register, or read it on the next visit."),
        "watch",
    ),
    FindingKind.CONTACT_TOO_SHORT: (
        gettext_lazy("Carbon beds too small"),
        gettext_lazy("Even fresh carbon lets chlorine or chloramine through to the membrane."),
        gettext_lazy("Test total chlorine behind the bed; lower the flow or fit a larger bed."),
        "watch",
    ),
    FindingKind.FEED_TEST_DUE: (
        gettext_lazy("Feed tests due"),
        gettext_lazy("Chlorine and hardness shorten lives and should be known within a year."),
        gettext_lazy("Test on the next visit."),
        "info",
    ),
}
"""Findings that raise no order by themselves, in order of risk."""


def overview(*, now: datetime, today: date, branch_id: int | None) -> Overview:
    """Return the whole page in a number of queries that does not grow with the fleet."""
    orders = WorkOrder.objects.open()
    findings = Finding.objects.filter(gone_at__isnull=True)
    if branch_id:
        orders = orders.filter(site__branch_id=branch_id)
        findings = findings.filter(treatment_unit__site__branch_id=branch_id)
    by_kind = _counts_by_kind(orders, today)
    order_groups = _order_groups(orders, by_kind, today)
    return Overview(
        standing=_standing(by_kind, now, today, branch_id),
        groups=order_groups + _finding_groups(findings, today),
        changes=_changes(now, branch_id),
        days=day_loads(orders, today, branch_id),
        assessed_at=AssessmentRun.objects.aggregate(last=Max("finished_at"))["last"],
        not_raised=0 if order_groups else _never_raised(findings).count(),
        from_field=list(field_reports.to_answer(branch_id)[:MOST_FROM_FIELD]),
    )


def _never_raised(findings: QuerySet) -> QuerySet:
    ordered = WorkOrder.objects.filter(cause_key=OuterRef("cause_key"))
    served = findings.filter(treatment_unit__site__is_closed=False, treatment_unit__retired_on__isnull=True)
    return served.exclude(Exists(ordered))


def _standing(by_kind: dict[str, dict], now: datetime, today: date, branch_id: int | None) -> Standing:
    units = TreatmentUnit.objects.filter(retired_on__isnull=True)
    states = UnitState.objects.filter(treatment_unit__retired_on__isnull=True)
    if branch_id:
        units = units.filter(site__branch_id=branch_id)
        states = states.filter(treatment_unit__site__branch_id=branch_id)
    silent = Q(last_read_at__lt=now - timedelta(days=SILENT_DAYS)) | Q(last_read_at=None)
    counts = states.aggregate(
        decaying=Count("pk", filter=Q(is_decaying=True)),
        silent=Count("pk", filter=silent & ~Q(readiness=ReadinessState.OUT_OF_SERVICE)),
        **{state.value: Count("pk", filter=Q(readiness=state)) for state in ReadinessState},
    )
    return Standing(
        units=units.count(),
        late_orders=sum(row["late"] for row in by_kind.values()),
        due_this_week=sum(row["this_week"] for row in by_kind.values()),
        week_ends=today + timedelta(days=AHEAD_DAYS - 1),
        **counts,
    )


def _counts_by_kind(orders: QuerySet, today: date) -> dict[str, dict]:
    this_week = Q(window_to__gte=today, window_to__lt=today + timedelta(days=AHEAD_DAYS))
    counted = (
        orders.order_by()
        .values("kind")
        .annotate(
            n=Count("pk"),
            late=Count("pk", filter=Q(window_to__lt=today)),
            unplaced=Count("pk", filter=Q(state="open")),
            this_week=Count("pk", filter=this_week),
        )
    )
    return {row["kind"]: row for row in counted}


def _order_groups(orders: QuerySet, counts: dict[str, dict], today: date) -> list[TaskGroup]:
    too_late = _planned_too_late(orders)
    # One small query a kind: at most seven, however many orders.
    shown = {kind: _first_rows(orders, kind) for kind in WORK_KINDS}
    planned = _planned_days([row["pk"] for rows in shown.values() for row in rows])
    return [
        TaskGroup(
            key=kind, title=work.group, risk=work.risk_told, remedy=work.advice, tone=work.mark,
            count=counts[kind]["n"], late=counts[kind]["late"], unplaced=counts[kind]["unplaced"],
            too_late=too_late.get(kind, 0),
            rows=[_task_row(row, planned.get(row["pk"]), today) for row in shown[kind]],
        )
        for kind, work in WORK_KINDS.items()
        if kind in counts
    ]  # fmt: skip


def _first_rows(orders: QuerySet, kind: str) -> list[dict]:
    rows = orders.filter(kind=kind).order_by("state", "window_to", "-strength", "id")[:ROWS_SHOWN]
    return list(rows.values("pk", "treatment_unit__serial", "site__name", "why", "window_to"))


def _task_row(row: dict, planned_on: date | None, today: date) -> TaskRow:
    due_on = row["window_to"]
    return TaskRow(
        order_id=row["pk"],
        serial=row["treatment_unit__serial"],
        site_name=row["site__name"],
        why=row["why"],
        due_on=due_on,
        days_late=days_late(due_on, today),
        planned_on=planned_on,
        is_too_late=planned_on is not None and planned_on > due_on,
    )


def _planned_days(order_ids: list[int]) -> dict[int, date]:
    placed = StopOrder.objects.filter(order__in=order_ids, is_in_force=True)
    return dict(placed.values_list("order_id", "stop__route__day"))


def _planned_too_late(orders: QuerySet) -> dict[str, int]:
    """Count by kind the orders whose route comes after their window."""
    placed = StopOrder.objects.filter(
        order__in=orders.order_by(), is_in_force=True, stop__route__day__gt=F("order__window_to")
    )
    return dict(
        placed.order_by().values("order__kind").annotate(n=Count("pk")).values_list("order__kind", "n")
    )


def _finding_groups(findings: QuerySet, today: date) -> list[TaskGroup]:
    counts = dict(findings.order_by().values("kind").annotate(n=Count("pk")).values_list("kind", "n"))
    groups = []
    for kind, (title, risk, remedy, tone) in _FINDING_GROUPS.items():
        rows = findings.filter(kind=kind).order_by("-strength", "id")[:ROWS_SHOWN]
        shown = [
            TaskRow(
                order_id=None,
                serial=row["treatment_unit__serial"],
                site_name=row["treatment_unit__site__name"],
                why=row["why"],
                due_on=row["late_on"],
                days_late=days_late(row["late_on"], today),
                planned_on=None,
                is_too_late=False,
            )
            for row in rows.values("treatment_unit__serial", "treatment_unit__site__name", "why", "late_on")
        ]
        if kind in counts:
            groups.append(TaskGroup(kind, title, risk, remedy, tone, counts[kind], 0, 0, 0, shown))
    return groups


def _changes(now: datetime, branch_id: int | None) -> list[Change]:
    since = now - timedelta(days=1)
    findings = Finding.objects.filter(Q(found_at__gte=since) | Q(gone_at__gte=since))
    if branch_id:
        findings = findings.filter(treatment_unit__site__branch_id=branch_id)
    counted = (
        findings.order_by()
        .values("kind")
        .annotate(
            came=Count("pk", filter=Q(found_at__gte=since)), went=Count("pk", filter=Q(gone_at__gte=since))
        )
    )
    by_kind = {row["kind"]: row for row in counted}
    return [
        Change(kind.label, by_kind[kind]["came"], by_kind[kind]["went"])
        for kind in FindingKind
        if kind in by_kind
    ]
