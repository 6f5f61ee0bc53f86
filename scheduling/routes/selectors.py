"""Routes with their stops and orders as plain rows: what boards, maps, sheets and calendars draw from.

One technician's day on paper: the route and what to load for it.
"""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from django.db.models import QuerySet, Sum

from scheduling.models import Route, StockLevel, Stop, StopOrder, WorkOrderPart
from scheduling.orders.selectors import number_of

METRES_PER_MILE: Final = 1609.344
"""International mile, exact. [m]"""


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


def route_sheet(pk: int, branch_id: int | None) -> RouteSheet | None:
    """Return one route with its load list, or None."""
    routes = Route.objects.filter(pk=pk)
    if branch_id:
        routes = routes.filter(technician__branch_id=branch_id)
    found = route_rows(routes)
    return RouteSheet(found[0], load_list(found[0])) if found else None


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
