"""Routes with their stops and orders: what boards, maps, sheets and calendars draw from.

One technician's day on paper: what to load for it.
"""

from dataclasses import dataclass
from datetime import date

from django.db.models import Prefetch, QuerySet, Sum

from scheduling.models import STANDING_STATES, Route, StockLevel, Stop, StopOrder, WorkOrderPart


def routes_in_force(first_on: date, last_on: date, branch_id: int | None) -> list[Route]:
    """Return what is published for some days."""
    return of_branch(Route.objects.filter(is_in_force=True, day__range=(first_on, last_on)), branch_id)


def of_branch(routes: QuerySet[Route], branch_id: int | None) -> list[Route]:
    """Return the routes of a branch, of all without one, with all that pages show of them."""
    return route_rows(routes.filter(technician__branch_id=branch_id) if branch_id else routes)


def route_rows(routes: QuerySet[Route]) -> list[Route]:
    """Return routes with their stops and orders at hand. Three queries."""
    orders = StopOrder.objects.select_related("order__treatment_unit").order_by("stop_id", "id")
    stops = Stop.objects.select_related("site__customer", "site__place").order_by("route_id", "place")
    return list(
        routes.select_related("technician__branch")
        .prefetch_related(Prefetch("stops", stops.prefetch_related(Prefetch("orders", orders))))
        .order_by("day", "technician__name", "id")
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


def load_list(route: Route) -> list[LoadRow]:
    """Return what to have on the van for what is still to be done on a route. Two queries."""
    order_ids = [
        placed.order_id
        for stop in route.stops.all()
        for placed in stop.orders.all()
        if placed.order.state in STANDING_STATES
    ]
    needed: dict[int, list] = {}
    for part in WorkOrderPart.objects.filter(order_id__in=order_ids).select_related("kind"):
        row = needed.setdefault(part.kind_id, [part.kind, 0])
        row[1] += part.quantity
    on_van = dict(
        StockLevel.objects.filter(place__technician_id=route.technician_id, kind_id__in=list(needed))
        .values_list("kind_id")
        .annotate(total=Sum("quantity"))
        .order_by()
    )
    rows = [LoadRow(kind.code, kind.name, n, on_van.get(kind_id, 0)) for kind_id, (kind, n) in needed.items()]
    return sorted(rows, key=lambda row: (-row.missing, row.name))
