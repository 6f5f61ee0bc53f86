"""The planner's overview: how the fleet stands, what changed since yesterday, what to do in order of risk."""

from collections import Counter
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from django.db.models import Count, Max, Q, QuerySet

from fleet.models import AssessmentRun, Finding, FindingKind, ReadinessState, TreatmentUnit, UnitState
from scheduling.models import STANDING_STATES, OrderKind, Route, Shift, Technician, WorkOrder

AHEAD_DAYS: Final = 7
ROWS_SHOWN: Final = 5
SILENT_DAYS: Final = 45


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


@dataclass(frozen=True)
class TaskRow:
    """One thing to do."""

    order_id: int | None
    serial: str
    site_name: str
    why: str
    due_on: date | None
    days_late: int
    is_placed: bool


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
    rows: list[TaskRow]


@dataclass(frozen=True)
class Change:
    """What came or went since yesterday."""

    word: str
    came: int
    went: int


@dataclass(frozen=True)
class DayLoad:
    """One day ahead: how much of the technicians' time is taken."""

    day: date
    technicians: int
    stops: int
    work_minutes: int
    drive_minutes: int
    shift_minutes: int
    ends_unplaced: int

    @property
    def share(self) -> float:
        """Taken of the time there is."""
        taken = self.work_minutes + self.drive_minutes
        return taken / self.shift_minutes if self.shift_minutes else 0.0

    @property
    def length(self) -> float:
        """Length of the bar out of 100."""
        return round(100 * min(self.share, 1.0), 1)


@dataclass(frozen=True)
class Overview:
    """The whole page."""

    standing: Standing
    groups: list[TaskGroup]
    changes: list[Change]
    days: list[DayLoad]
    assessed_at: datetime | None


_ORDER_GROUPS: Final = {
    OrderKind.REFLUSH_REQUIRED: (
        "Re-flush required", "Water is not fit to use until the flush ran clear.",
        "Send someone within two days, or ask the site to keep the unit off.", "bad",
    ),
    OrderKind.PERFORMANCE_DECAY: (
        "Performance decay", "The membrane loses flow or lets salt by; some causes can be cleaned off.",
        "Look at it within three weeks; the finding names what to check first.", "bad",
    ),
    OrderKind.CHANGE_DUE: (
        "Change due", "Worn carbon lets chlorine reach the membrane; worn sediment starves it.",
        "Place it before its window ends; parts at one site travel together.", "watch",
    ),
    OrderKind.PLAN_VISIT: ("Plan visits", "Promised to the customer.", "Place them on a route.", "info"),
    OrderKind.ONE_OFF: ("One-off work", "Asked for by someone.", "Place it on a route.", "info"),
    OrderKind.READING: ("Readings", "Dates rest on the design duty until read.", "Read in passing.", "off"),
    OrderKind.FEED_TEST: ("Feed tests", "Lives are reckoned with old water.", "Test in passing.", "off"),
}  # fmt: skip
"""Kinds of orders in order of risk."""
_FINDING_GROUPS: Final = {
    FindingKind.METER_FAULT: (
        "Meters that misread", "Gallons were mended by estimate; dates are less sure.",
        "Have the meter read again or replaced.", "watch",
    ),
    FindingKind.READING_WANTED: (
        "Silent meters", "Without a reading the due dates rest on the design duty.",
        "Ask the site for the register, or read it on the next visit.", "watch",
    ),
    FindingKind.FEED_TEST_DUE: (
        "Feed tests due", "Chlorine and hardness shorten lives and should be known within a year.",
        "Test on the next visit.", "info",
    ),
}  # fmt: skip
"""Findings that raise no order by themselves, in order of risk."""


def overview(*, now: datetime, today: date, branch_id: int | None) -> Overview:
    """Return the whole page in a number of queries that does not grow with the fleet."""
    orders = WorkOrder.objects.standing()
    findings = Finding.objects.filter(gone_at__isnull=True)
    if branch_id:
        orders = orders.filter(site__branch_id=branch_id)
        findings = findings.filter(treatment_unit__site__branch_id=branch_id)
    return Overview(
        standing=_standing(orders, now, today, branch_id),
        groups=_order_groups(orders, today) + _finding_groups(findings, today),
        changes=_changes(now, branch_id),
        days=_days(orders, today, branch_id),
        assessed_at=AssessmentRun.objects.aggregate(last=Max("finished_at"))["last"],
    )


def _standing(orders: QuerySet, now: datetime, today: date, branch_id: int | None) -> Standing:
    units, states = TreatmentUnit.objects.all(), UnitState.objects.all()
    if branch_id:
        units = units.filter(site__branch_id=branch_id)
        states = states.filter(treatment_unit__site__branch_id=branch_id)
    silent = Q(last_read_at__lt=now - timedelta(days=SILENT_DAYS)) | Q(last_read_at=None)
    counts = states.aggregate(
        decaying=Count("pk", filter=Q(is_decaying=True)),
        silent=Count("pk", filter=silent & ~Q(readiness=ReadinessState.OUT_OF_SERVICE)),
        **{state.value: Count("pk", filter=Q(readiness=state)) for state in ReadinessState},
    )
    due = orders.aggregate(
        late_orders=Count("pk", filter=Q(window_to__lt=today)),
        due_this_week=Count(
            "pk", filter=Q(window_to__gte=today, window_to__lt=today + timedelta(days=AHEAD_DAYS))
        ),
    )
    return Standing(units=units.count(), **counts, **due)


def _order_groups(orders: QuerySet, today: date) -> list[TaskGroup]:
    counts = {
        row["kind"]: row
        for row in orders.order_by()
        .values("kind")
        .annotate(
            n=Count("pk"),
            late=Count("pk", filter=Q(window_to__lt=today)),
            unplaced=Count("pk", filter=Q(state="open")),
        )
    }
    groups = []
    for kind, (title, risk, remedy, tone) in _ORDER_GROUPS.items():
        # One small query a kind: at most seven, however many orders.
        rows = orders.filter(kind=kind).order_by("state", "window_to", "-strength", "id")[:ROWS_SHOWN]
        shown = [
            TaskRow(
                row["pk"], row["treatment_unit__serial"], row["site__name"], row["why"], row["window_to"],
                max((today - row["window_to"]).days, 0), row["state"] != "open",
            )
            for row in rows.values(
                "pk", "treatment_unit__serial", "site__name", "why", "window_to", "state"
            )
        ]  # fmt: skip
        if kind in counts:
            found = counts[kind]
            groups.append(
                TaskGroup(
                    kind, title, risk, remedy, tone, found["n"], found["late"], found["unplaced"], shown
                )
            )
    return groups


def _finding_groups(findings: QuerySet, today: date) -> list[TaskGroup]:
    counts = dict(findings.order_by().values("kind").annotate(n=Count("pk")).values_list("kind", "n"))
    groups = []
    for kind, (title, risk, remedy, tone) in _FINDING_GROUPS.items():
        rows = findings.filter(kind=kind).order_by("-strength", "id")[:ROWS_SHOWN]
        shown = [
            TaskRow(
                None, row["treatment_unit__serial"], row["treatment_unit__site__name"], row["why"],
                row["late_on"], max((today - row["late_on"]).days, 0) if row["late_on"] else 0, False,
            )
            for row in rows.values("treatment_unit__serial", "treatment_unit__site__name", "why", "late_on")
        ]  # fmt: skip
        if kind in counts:
            groups.append(TaskGroup(kind, title, risk, remedy, tone, counts[kind], 0, 0, shown))
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


def _days(orders: QuerySet, today: date, branch_id: int | None) -> list[DayLoad]:
    days = [today + timedelta(days=i) for i in range(AHEAD_DAYS)]
    routes = Route.objects.filter(is_in_force=True, day__in=days)
    technicians = Technician.objects.filter(is_active=True)
    if branch_id:
        routes = routes.filter(technician__branch_id=branch_id)
        technicians = technicians.filter(branch_id=branch_id)
    by_day: dict[date, list] = {day: [] for day in days}
    for route in routes.annotate(stops_n=Count("stops")).values_list(
        "day", "stops_n", "work_minutes", "drive_minutes"
    ):
        by_day[route[0]].append(route[1:])
    minutes = _shift_minutes(technicians, days)
    ends = Counter(
        orders.filter(state=STANDING_STATES[0], window_to__in=days).values_list("window_to", flat=True)
    )
    return [
        DayLoad(
            day=day,
            technicians=len(by_day[day]),
            stops=sum(stops for stops, _, _ in by_day[day]),
            work_minutes=sum(work for _, work, _ in by_day[day]),
            drive_minutes=sum(drive for _, _, drive in by_day[day]),
            shift_minutes=minutes[day],
            ends_unplaced=ends[day],
        )
        for day in days
    ]


def _shift_minutes(technicians: QuerySet, days: list[date]) -> dict[date, int]:
    """Return the minutes there are on each day: shifts less lunch, absences left out."""
    shifts = Shift.objects.filter(technician__in=technicians)
    away: dict[int, list[tuple[date, date]]] = {}
    for technician_id, first_on, last_on in technicians.filter(
        absences__first_on__lte=days[-1], absences__last_on__gte=days[0]
    ).values_list("id", "absences__first_on", "absences__last_on"):
        away.setdefault(technician_id, []).append((first_on, last_on))
    total = dict.fromkeys(days, 0)
    for technician_id, weekday, starts, ends, lunch in shifts.values_list(
        "technician_id", "weekday", "starts_at", "ends_at", "lunch_minutes"
    ):
        length = (ends.hour - starts.hour) * 60 + ends.minute - starts.minute - lunch
        for day in days:
            is_away = any(first <= day <= last for first, last in away.get(technician_id, []))
            if day.weekday() == weekday and not is_away:
                total[day] += length
    return total
