"""What keeping a move writes: the days that change, and the states of the orders that come, go or stay."""

from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from fleet.models import Person
from scheduling.models import OrderState, ProposalState, RouteProposal, StopOrder, WorkOrder
from scheduling.planning.proposal import Totals
from scheduling.services import order_states, plan_snapshots, route_rows
from scheduling.services.tried_moves import Tried
from shared.errors import CannotDo


def changed_days(tried: Tried) -> list[plan_snapshots.TechnicianDay]:
    """Return the technician-days on which a move changes the order of visits."""
    old = {(one.technician_id, one.day): one.job_ids for one in tried.stored.plan.routes}
    new = {(one.technician_id, one.day): one.job_ids for one in tried.after.routes}
    people = tried.stored.built.technician_of
    return [
        (people[code].pk, day)
        for code, day in sorted(old.keys() | new.keys())
        if old.get((code, day), ()) != new.get((code, day), ())
    ]


def write_move(
    row: RouteProposal,
    tried: Tried,
    changed: list[plan_snapshots.TechnicianDay],
    what: str,
    by: Person | None,
    now: datetime,
) -> None:
    """Write the days that a move changes, what it leaves out, the totals and the states of its orders."""
    built = tried.stored.built
    _lock_orders(tried, changed)
    zone = ZoneInfo(built.branch.time_zone)
    on_before = in_force_orders(row)
    plan_snapshots.remove_days(row, changed)
    row.unplaced.filter(order__site__branch=built.branch).delete()
    for route in tried.after.routes:
        if (built.technician_of[route.technician_id].pk, route.day) in changed and route.stops:
            route_rows.write_route(row, route, built, zone)
    route_rows.write_unplaced(row, built, tried.after)
    row.totals = _totals(row.totals, tried.stored.plan.totals, tried.after.totals)
    row.save(update_fields=["totals"])
    if row.state == ProposalState.PUBLISHED:
        for technician_id, day in changed:
            fresh = row.routes.filter(technician_id=technician_id, day=day)
            StopOrder.objects.filter(stop__route__in=fresh).update(is_in_force=True)
            fresh.update(is_in_force=True)
        follow_states(row, on_before, what, by, now, changed)


def _lock_orders(tried: Tried, changed: list[plan_snapshots.TechnicianDay]) -> None:
    """Hold the orders of the days that change. Raises CannotDo when one was finished a moment ago."""
    built = tried.stored.built
    ids = [
        built.order_of[job_id].pk
        for plan in (tried.stored.plan, tried.after)
        for route in plan.routes
        if (built.technician_of[route.technician_id].pk, route.day) in changed
        for job_id in route.job_ids
    ]
    for order in WorkOrder.objects.select_for_update().filter(pk__in=ids).order_by("pk"):
        if order.state not in (OrderState.OPEN, OrderState.ON_ROUTE):
            raise CannotDo(
                f"{order} was {order.get_state_display().lower()} a moment ago.",
                remedy="Look at the move again.",
            )


def follow_states(
    row: RouteProposal,
    on_before: set[int],
    what: str,
    by: Person | None,
    now: datetime,
    changed: Sequence[plan_snapshots.TechnicianDay] = (),
) -> None:
    """Open the orders that left a published plan, claim those that came, tell those whose time moved."""
    on_now = in_force_orders(row)
    order_states.release(sorted(on_before - on_now), what, at=now, by=by)
    came = sorted(on_now - on_before)
    claimed = WorkOrder.objects.filter(pk__in=came, state=OrderState.OPEN).update(
        state=OrderState.ON_ROUTE, changed_at=now
    )
    if claimed != len(came):
        raise CannotDo(
            "An order is no longer open, or stands on another published plan.",
            remedy="Look at the plan again and choose another order.",
        )
    order_states.note_all(came, "put on a route", what, at=now, by=by)
    stayed = on_before & on_now
    for technician_id, day in changed:
        links = StopOrder.objects.filter(
            stop__route__proposal=row, stop__route__technician=technician_id, stop__route__day=day
        )
        here = [pk for pk in links.values_list("order_id", flat=True) if pk in stayed]
        order_states.note_all(here, "route changed", what, at=now, by=by)


def in_force_orders(row: RouteProposal) -> set[int]:
    """Return the keys of the orders that stand on a published plan."""
    return set(
        StopOrder.objects.filter(stop__route__proposal=row, is_in_force=True).values_list(
            "order_id", flat=True
        )
    )


def _totals(stored: dict, before: Totals, after: Totals) -> dict:
    names = Totals.__dataclass_fields__
    return {name: stored.get(name, 0) + getattr(after, name) - getattr(before, name) for name in names}
