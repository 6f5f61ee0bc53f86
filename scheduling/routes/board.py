"""What the planning pages show: the list of proposals, and one proposal as people × days."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from django.db.models import Count, QuerySet, Sum
from django.utils.translation import gettext

from scheduling.models import Route, RouteProposal, Stop, UnplacedOrder
from scheduling.orders.selectors import number_of
from scheduling.routes.selectors import RouteRow, route_rows
from shared.messages import message
from shared.periods import days_from

LISTED: Final = 40


@dataclass(frozen=True)
class ProposalRow:
    """One line of the list of proposals."""

    pk: int
    first_on: date
    last_on: date
    state: str
    state_word: str
    made_at: datetime
    made_by: str
    branch: str
    routes: int
    stops: int
    unplaced: int
    problems: int
    drive_minutes: int
    work_minutes: int


@dataclass(frozen=True)
class BoardCell:
    """One person's day; None where there is no route."""

    day: date
    route: RouteRow | None


@dataclass(frozen=True)
class BoardRow:
    """One person's days."""

    technician_pk: int
    technician: str
    cells: list[BoardCell]
    drive_minutes: int
    work_minutes: int


@dataclass(frozen=True)
class UnplacedRow:
    """One order left out and why."""

    pk: int
    number: str
    kind_word: str
    site_name: str
    serial: str
    window_from: date
    window_to: date
    is_due: bool
    reason: str
    text: str


@dataclass(frozen=True)
class Problem:
    """One input that could not be planned, and its cure."""

    what: str
    message: str
    remedy: str


@dataclass(frozen=True)
class Board:
    """One proposal."""

    row: ProposalRow
    progress: float
    progress_text: str
    wants_stop: bool
    days: list[date]
    people: list[BoardRow]
    unplaced: list[UnplacedRow]
    problems: list[Problem]
    placed: int
    solver: str
    travel_source: str
    seconds: float
    seed: int
    published_at: datetime | None
    is_stale: bool

    @property
    def routes(self) -> list[RouteRow]:
        """Every technician's days."""
        return [cell.route for person in self.people for cell in person.cells if cell.route]

    @property
    def idle_days(self) -> set[date]:
        """Days on which nobody drives."""
        return set(self.days) - {route.day for route in self.routes}

    @property
    def due_left_out(self) -> int:
        """Orders left out although their window closes within these days."""
        return sum(one.is_due for one in self.unplaced)

    @property
    def later_left_out(self) -> int:
        """Orders left out that can wait."""
        return len(self.unplaced) - self.due_left_out

    @property
    def work_hours(self) -> str:
        """Hours on site, as shown."""
        return f"{self.row.work_minutes / 60:.1f}"

    @property
    def drive_hours(self) -> str:
        """Hours driving, as shown."""
        return f"{self.row.drive_minutes / 60:.1f}"


def proposal_rows(branch_id: int | None) -> list[ProposalRow]:
    """Return the newest proposals. Two queries."""
    proposals = _proposals(branch_id).annotate(
        unplaced_count=Count("unplaced", distinct=True),
    )[:LISTED]
    listed = list(proposals)
    sums = {
        row["proposal_id"]: row
        for row in Route.objects.filter(proposal__in=[p.pk for p in listed])
        .values("proposal_id")
        .annotate(count=Count("id"), drive=Sum("drive_minutes"), work=Sum("work_minutes"))
        .order_by()
    }
    stops = dict(
        Stop.objects.filter(route__proposal__in=[p.pk for p in listed])
        .values_list("route__proposal_id")
        .annotate(count=Count("id"))
        .order_by()
    )
    return [_proposal_row(p, sums.get(p.pk, {}), stops.get(p.pk, 0), p.unplaced_count) for p in listed]


def board(pk: int, branch_id: int | None, today: date) -> Board | None:
    """Return a proposal as people × days, or None. Six queries, however many stops."""
    proposal = _proposals(branch_id).filter(pk=pk).first()
    if proposal is None:
        return None
    routes = route_rows(Route.objects.filter(proposal_id=pk))
    unplaced = list(
        UnplacedOrder.objects.filter(proposal_id=pk)
        .select_related("order__site", "order__treatment_unit")
        .order_by("order__window_to", "id")
    )
    days = days_from(proposal.first_on, (proposal.last_on - proposal.first_on).days + 1)
    sums = {
        "count": len(routes),
        "drive": sum(route.drive_minutes for route in routes),
        "work": sum(route.work_minutes for route in routes),
    }
    stop_count = sum(len(route.stops) for route in routes)
    return Board(
        row=_proposal_row(proposal, sums, stop_count, len(unplaced)),
        progress=proposal.progress,
        progress_text=proposal.progress_text,
        wants_stop=proposal.wants_stop,
        days=days,
        people=_people(routes, days),
        unplaced=[_unplaced_row(one, proposal.last_on) for one in unplaced],
        problems=[as_problem(one) for one in proposal.problems],
        placed=sum(len(stop.orders) for route in routes for stop in route.stops),
        solver=proposal.solver,
        travel_source=proposal.travel_source,
        seconds=proposal.seconds,
        seed=proposal.seed,
        published_at=proposal.published_at,
        is_stale=proposal.last_on < today,
    )


def as_problem(stored: dict | str) -> Problem:
    """Return a stored refusal as a row."""
    if isinstance(stored, str):
        return Problem("", stored, "")
    return Problem(str(stored.get("what", "")), str(stored.get("message", "")), str(stored.get("remedy", "")))


def _proposals(branch_id: int | None) -> QuerySet[RouteProposal]:
    proposals = RouteProposal.objects.select_related("made_by", "branch")
    return proposals.filter(branch_id=branch_id) if branch_id else proposals


def _proposal_row(proposal: RouteProposal, sums: dict, stops: int, unplaced: int) -> ProposalRow:
    return ProposalRow(
        pk=proposal.pk,
        first_on=proposal.first_on,
        last_on=proposal.last_on,
        state=proposal.state,
        state_word=proposal.get_state_display(),
        made_at=proposal.made_at,
        made_by=str(proposal.made_by) if proposal.made_by else gettext("the timetable"),
        branch=proposal.branch.name if proposal.branch else gettext("All branches"),
        routes=sums.get("count") or 0,
        stops=stops,
        unplaced=unplaced,
        problems=len(proposal.problems),
        drive_minutes=sums.get("drive") or 0,
        work_minutes=sums.get("work") or 0,
    )


def _people(routes: list[RouteRow], days: list[date]) -> list[BoardRow]:
    by_person: dict[tuple[str, int], dict[date, RouteRow]] = defaultdict(dict)
    for route in routes:
        by_person[(route.technician, route.technician_pk)][route.day] = route
    return [
        BoardRow(
            technician_pk=pk,
            technician=name,
            cells=[BoardCell(day, by_day.get(day)) for day in days],
            drive_minutes=sum(route.drive_minutes for route in by_day.values()),
            work_minutes=sum(route.work_minutes for route in by_day.values()),
        )
        for (name, pk), by_day in sorted(by_person.items())
    ]


def _unplaced_row(one: UnplacedOrder, last_on: date) -> UnplacedRow:
    order = one.order
    return UnplacedRow(
        pk=order.pk,
        number=number_of(order.pk),
        kind_word=order.get_kind_display(),
        site_name=order.site.name,
        serial=order.treatment_unit.serial,
        window_from=order.window_from,
        window_to=order.window_to,
        is_due=order.window_to <= last_on,
        reason=message(one.reason),
        text=one.text,
    )
