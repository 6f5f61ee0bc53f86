"""What the planning pages show: proposals, one proposal as people × days, one technician's route."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from django.db.models import Count, QuerySet, Sum

from scheduling.models import Route, RouteProposal, StockLevel, Stop, StopOrder, UnplacedOrder, WorkOrderPart
from scheduling.queries.work_orders import number_of
from shared.periods import days_from

METRES_PER_MILE: Final = 1609.344
"""International mile, exact. [m]"""
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
class StopOrderRow:
    """One order at a stop."""

    pk: int
    number: str
    kind: str
    kind_word: str
    state: str
    serial: str
    unit_label: str
    minutes: int
    why: str
    why_here: str
    window_to: date


@dataclass(frozen=True)
class StopRow:
    """One stop as drawn on board, map and sheet."""

    pk: int
    place: int
    site_name: str
    site_code: str
    address: str
    access_note: str
    phone: str
    customer: str
    latitude: float | None
    longitude: float | None
    zone: str
    arrives_at: datetime
    starts_at: datetime
    leaves_at: datetime
    drive_minutes: int
    drive_metres: int
    is_pinned: bool
    why: str
    orders: list[StopOrderRow]

    @property
    def minutes(self) -> int:
        """Minutes on site."""
        return round((self.leaves_at - self.starts_at).total_seconds() / 60)

    @property
    def own_why(self) -> str:
        """Why the stop is here, where its orders do not say so themselves."""
        return "" if any(order.why_here for order in self.orders) else self.why

    @property
    def wait_minutes(self) -> int:
        """Minutes at the door before work may begin."""
        return max(0, round((self.starts_at - self.arrives_at).total_seconds() / 60))


@dataclass(frozen=True)
class RouteRow:
    """One technician's day."""

    pk: int
    proposal_pk: int
    technician_pk: int
    technician: str
    day: date
    zone: str
    is_in_force: bool
    leaves_at: datetime
    returns_at: datetime
    lunch_at: datetime | None
    drive_minutes: int
    work_minutes: int
    drive_metres: int
    start: tuple[float, float]
    stops: list[StopRow]

    @property
    def miles(self) -> float:
        """Statute miles driven."""
        return self.drive_metres / METRES_PER_MILE

    @property
    def kilometres(self) -> float:
        """Kilometres driven."""
        return self.drive_metres / 1000


@dataclass(frozen=True)
class BoardRow:
    """One person's days; None where there is no route."""

    technician_pk: int
    technician: str
    cells: list[RouteRow | None]
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


@dataclass(frozen=True)
class LoadRow:
    """Parts of one kind for a route: how many it needs, how many lie on the van."""

    code: str
    name: str
    needed: int
    on_van: int

    @property
    def missing(self) -> int:
        """How many to take from the shelf."""
        return max(0, self.needed - self.on_van)


@dataclass(frozen=True)
class RouteSheet:
    """One route and what to load for it."""

    route: RouteRow
    load: list[LoadRow]


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


def route_sheet(pk: int, branch_id: int | None) -> RouteSheet | None:
    """Return one route with its load list, or None."""
    routes = Route.objects.filter(pk=pk)
    if branch_id:
        routes = routes.filter(technician__branch_id=branch_id)
    found = route_rows(routes)
    return RouteSheet(found[0], load_list(found[0])) if found else None


def routes_in_force(first_on: date, last_on: date, branch_id: int | None) -> list[RouteRow]:
    """Return what is published for some days."""
    routes = Route.objects.filter(is_in_force=True, day__range=(first_on, last_on))
    if branch_id:
        routes = routes.filter(technician__branch_id=branch_id)
    return route_rows(routes)


def route_rows(routes: QuerySet[Route]) -> list[RouteRow]:
    """Return routes with their stops and orders as plain rows. Three queries."""
    read = routes.select_related("technician__branch").order_by("day", "technician__name", "id")
    by_route: dict[int, list[StopRow]] = defaultdict(list)
    kept = list(read)
    stops = Stop.objects.filter(route__in=[route.pk for route in kept]).select_related("site__customer")
    listed = list(stops.order_by("route_id", "place"))
    orders = _orders_by_stop([stop.pk for stop in listed])
    for stop in listed:
        by_route[stop.route_id].append(_stop_row(stop, orders.get(stop.pk, [])))
    return [_route_row(route, by_route.get(route.pk, [])) for route in kept]


def load_list(route: RouteRow) -> list[LoadRow]:
    """Return what to have on the van for a route. Two queries."""
    order_ids = [order.pk for stop in route.stops for order in stop.orders]
    needed: dict[int, list] = {}
    for part in WorkOrderPart.objects.filter(order_id__in=order_ids).select_related("kind"):
        row = needed.setdefault(part.kind_id, [part.kind, 0])
        row[1] += part.quantity
    on_van = dict(
        StockLevel.objects.filter(place__technician_id=route.technician_pk, kind_id__in=list(needed))
        .values_list("kind_id")
        .annotate(total=Sum("quantity"))
        .order_by()
    )
    rows = [LoadRow(kind.code, kind.name, n, on_van.get(kind_id, 0)) for kind_id, (kind, n) in needed.items()]
    return sorted(rows, key=lambda row: (-row.missing, row.name))


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
        made_by=str(proposal.made_by) if proposal.made_by else "the timetable",
        branch=proposal.branch.name if proposal.branch else "All branches",
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
            cells=[by_day.get(day) for day in days],
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
        reason=one.reason,
        text=one.text,
    )


def _orders_by_stop(stop_ids: list[int]) -> dict[int, list[StopOrderRow]]:
    by_stop: dict[int, list[StopOrderRow]] = defaultdict(list)
    placed = StopOrder.objects.filter(stop_id__in=stop_ids).select_related("order__treatment_unit")
    for one in placed.order_by("stop_id", "id"):
        order = one.order
        by_stop[one.stop_id].append(
            StopOrderRow(
                pk=order.pk,
                number=number_of(order.pk),
                kind=order.kind,
                kind_word=order.get_kind_display(),
                state=order.state,
                serial=order.treatment_unit.serial,
                unit_label=order.treatment_unit.label,
                minutes=order.minutes,
                why=order.why,
                why_here=one.why,
                window_to=order.window_to,
            )
        )
    return by_stop


def _stop_row(stop: Stop, orders: list[StopOrderRow]) -> StopRow:
    site = stop.site
    return StopRow(
        pk=stop.pk,
        place=stop.place,
        site_name=site.name,
        site_code=site.code,
        address=site.address,
        access_note=site.access_note,
        phone=site.customer.phone,
        customer=site.customer.name,
        latitude=site.latitude,
        longitude=site.longitude,
        zone=site.time_zone,
        arrives_at=stop.arrives_at,
        starts_at=stop.starts_at,
        leaves_at=stop.leaves_at,
        drive_minutes=stop.drive_minutes,
        drive_metres=stop.drive_metres,
        is_pinned=stop.is_pinned,
        why=stop.why,
        orders=orders,
    )


def _route_row(route: Route, stops: list[StopRow]) -> RouteRow:
    person = route.technician
    return RouteRow(
        pk=route.pk,
        proposal_pk=route.proposal_id,
        technician_pk=person.pk,
        technician=person.name,
        day=route.day,
        zone=person.branch.time_zone,
        is_in_force=route.is_in_force,
        leaves_at=route.leaves_at,
        returns_at=route.returns_at,
        lunch_at=route.lunch_at,
        drive_minutes=route.drive_minutes,
        work_minutes=route.work_minutes,
        drive_metres=route.drive_metres,
        start=(person.start_latitude, person.start_longitude),
        stops=stops,
    )
