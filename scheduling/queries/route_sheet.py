"""One technician's day on paper: the route and what to load for it."""

from dataclasses import dataclass

from django.db.models import Sum

from scheduling.models import Route, StockLevel, WorkOrderPart
from scheduling.queries.routes import RouteRow, route_rows


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
