"""Technician-days of a proposal as plain data and back: what makes a kept move undoable to the letter.

The difference between two plans as plain words and figures, kept with a change and shown on pages.
"""

from collections.abc import Iterable
from datetime import date, datetime

from django.db.models import Q

from fleet.models import Branch
from scheduling.models import (
    OrderState,
    Route,
    RouteProposal,
    Stop,
    StopOrder,
    Technician,
    UnplacedOrder,
    WorkOrder,
)
from scheduling.planning.proposal import Comparison, Spot

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


Effect = dict
"""drive_minutes, price_minutes, late_days (positive: more), promises_moved, kept, people, changes."""


def effect_of(
    found: Comparison,
    order_of: dict[str, WorkOrder],
    technician_of: dict[str, Technician],
    *,
    is_priced: bool = True,
) -> Effect:
    """Return what a later plan changes. Minutes and days are positive when the later plan has more.

    Without a price on both plans (``is_priced`` False) the price is left out.
    """
    return {
        "drive_minutes": round(-found.drive_saved_min),
        "price_minutes": round(-found.price_saved_min) if is_priced else None,
        "late_days": -found.late_days_saved,
        "promises_moved": found.promises_moved,
        "kept": found.kept,
        "people": [_name(code, technician_of) for code in found.technicians],
        "changes": [
            {
                "pk": order_of[one.job_id].pk,
                "number": one.job_id,
                "site": order_of[one.job_id].site.name,
                "kind": one.kind.value,
                "was": _spot(one.before, technician_of),
                "now": _spot(one.after, technician_of),
                "promise_moved": one.promise_moved,
            }
            for one in found.changes
            if one.job_id in order_of
        ],
    }


def _spot(spot: Spot | None, technician_of: dict[str, Technician]) -> dict | None:
    if spot is None:
        return None
    hours, minutes = divmod(spot.start_s // 60, 60)
    return {
        "who": _name(spot.technician_id, technician_of),
        "day": spot.day.isoformat(),
        "at": f"{hours:02d}:{minutes:02d}",
    }


def _name(code: str, technician_of: dict[str, Technician]) -> str:
    return technician_of[code].name if code in technician_of else code
