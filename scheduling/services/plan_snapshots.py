"""Technician-days of a proposal as plain data and back: what makes a kept move undoable to the letter."""

from collections.abc import Iterable
from datetime import date, datetime

from django.db.models import Q

from fleet.models import Branch
from scheduling.models import OrderState, Route, RouteProposal, Stop, StopOrder, UnplacedOrder, WorkOrder

ROUTE_FIELDS = ("leaves_at", "returns_at", "lunch_at", "drive_minutes", "work_minutes", "drive_metres")
STOP_FIELDS = (
    "place", "site_id", "arrives_at", "starts_at", "leaves_at", "drive_minutes", "drive_metres", "is_pinned",
    "why",
)  # fmt: skip

TechnicianDay = tuple[int, date]
"""A technician's key and a day."""


def take(row: RouteProposal, branch: Branch, days: Iterable[TechnicianDay]) -> dict:
    """Return these technician-days, what the branch leaves out, and the totals."""
    wanted = sorted(set(days))
    left_out = row.unplaced.filter(order__site__branch=branch).order_by("pk")
    routes = row.routes.filter(_among(wanted)).prefetch_related("stops__orders") if wanted else []
    return {
        "branch": branch.pk,
        "days": [[technician_id, day.isoformat()] for technician_id, day in wanted],
        "routes": [_route(one) for one in routes],
        "unplaced": list(left_out.values("order_id", "reason", "text")),
        "totals": row.totals,
    }


def days_in(snapshot: dict) -> list[TechnicianDay]:
    """Return the technician-days a snapshot speaks of."""
    return [(technician_id, date.fromisoformat(day)) for technician_id, day in snapshot["days"]]


def orders_in(snapshot: dict) -> list[int]:
    """Return the keys of the orders placed in a snapshot."""
    stops = [stop for route in snapshot["routes"] for stop in route["stops"]]
    return [one["order_id"] for stop in stops for one in stop["orders"]]


def remove_days(row: RouteProposal, days: Iterable[TechnicianDay]) -> None:
    """Take technician-days out of a proposal."""
    wanted = sorted(set(days))
    if wanted:
        row.routes.filter(_among(wanted)).delete()


def put_back(row: RouteProposal, snapshot: dict, *, is_in_force: bool) -> None:
    """Write a snapshot's days and left-out orders as they were; orders raised since stay left out.

    On a published plan an order that is done or withdrawn by now comes back as history, not in force.
    """
    ended = WorkOrder.objects.filter(state__in=[OrderState.DONE, OrderState.WITHDRAWN])
    over = set(ended.filter(pk__in=orders_in(snapshot)).values_list("pk", flat=True))
    for stored in snapshot["routes"]:
        fields = {name: _moment(name, stored[name]) for name in ROUTE_FIELDS}
        route = Route.objects.create(
            proposal=row, technician_id=stored["technician_id"], day=date.fromisoformat(stored["day"]),
            is_in_force=is_in_force, **fields,
        )  # fmt: skip
        for one in stored["stops"]:
            stop = Stop.objects.create(
                route=route, **{name: _moment(name, one[name]) for name in STOP_FIELDS}
            )
            StopOrder.objects.bulk_create(
                StopOrder(
                    stop=stop, order_id=order["order_id"], why=order["why"],
                    is_in_force=is_in_force and order["order_id"] not in over,
                )
                for order in one["orders"]
            )  # fmt: skip
    _put_unplaced_back(row, snapshot)
    row.totals = snapshot["totals"]
    row.save(update_fields=["totals"])


def _put_unplaced_back(row: RouteProposal, snapshot: dict) -> None:
    stored = {one["order_id"]: one for one in snapshot["unplaced"]}
    placed = StopOrder.objects.filter(stop__route__proposal=row).values("order_id")
    row.unplaced.filter(Q(order_id__in=stored) | Q(order_id__in=placed)).delete()
    UnplacedOrder.objects.bulk_create(UnplacedOrder(proposal=row, **one) for one in stored.values())


def _among(days: list[TechnicianDay]) -> Q:
    found = Q()
    for technician_id, day in days:
        found |= Q(technician_id=technician_id, day=day)
    return found


def _route(route: Route) -> dict:
    return {
        "technician_id": route.technician_id,
        "day": route.day.isoformat(),
        **{name: _plain(getattr(route, name)) for name in ROUTE_FIELDS},
        "stops": [
            {
                **{name: _plain(getattr(stop, name)) for name in STOP_FIELDS},
                "orders": [{"order_id": one.order_id, "why": one.why} for one in stop.orders.all()],
            }
            for stop in route.stops.all()
        ],
    }


def _plain(value: object) -> object:
    return value.isoformat() if isinstance(value, datetime) else value


def _moment(name: str, value: object) -> object:
    return datetime.fromisoformat(value) if name.endswith("_at") and isinstance(value, str) else value
