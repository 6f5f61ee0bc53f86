"""The planner's hands on a plan: the effect of a move first, then kept as a change that can be undone."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Max

from fleet.models import Branch, Person
from scheduling.models import (
    OrderState,
    PlanRevision,
    ProposalState,
    RouteProposal,
    StopOrder,
    Technician,
    WorkOrder,
)
from scheduling.planning import moves
from scheduling.planning.checker import check
from scheduling.planning.compare import compare
from scheduling.planning.planner import PlanBroken
from scheduling.planning.problem import PinLevel
from scheduling.planning.proposal import Proposal, Totals
from scheduling.services import order_states, plan_snapshots, route_rows, route_stored
from scheduling.services.order_states import number_of
from scheduling.services.plan_effects import Effect, effect_of
from shared.errors import CannotDo

OPEN_STATES = (ProposalState.READY, ProposalState.PUBLISHED)


@dataclass(frozen=True)
class Shown:
    """What a move would do. Either an effect, or why it can't be; nothing is written."""

    effect: Effect | None
    refusal: str = ""
    remedy: str = ""


@dataclass(frozen=True)
class _Tried:
    stored: route_stored.Stored
    after: Proposal
    effect: Effect


def latest_number(row: RouteProposal) -> int:
    """Return the number of the newest change by hand; 0 when there is none. What a page must have seen."""
    return row.revisions.aggregate(newest=Max("number"))["newest"] or 0


def show_move(
    row: RouteProposal, orders: Sequence[WorkOrder], to: Technician | None, day: date | None, *, now: datetime
) -> Shown:
    """Return what moving these orders would change; without a technician, what leaving them out would."""
    try:
        return Shown(_try(row, orders, to, day, now).effect)
    except CannotDo as error:
        return Shown(None, error.message, error.remedy)


@transaction.atomic
def keep_move(
    row: RouteProposal,
    orders: Sequence[WorkOrder],
    to: Technician | None,
    day: date | None,
    *,
    seen: int,
    by: Person | None,
    now: datetime,
) -> PlanRevision:
    """Keep a move as a change that can be undone.

    ``seen`` is the change the person looked at. Raises CannotDo when the plan changed since, and with the
    broken rule and its remedy when the checker refuses the result.
    """
    row = claimed_plan(row)
    if latest_number(row) != seen:
        raise CannotDo(
            "Somebody changed this plan while you looked at it.",
            remedy="Look at the move again, then keep it.",
        )
    tried = _try(row, orders, to, day, now)
    changed = _changed_days(tried)
    before = plan_snapshots.take(row, tried.stored.branch, changed)
    what = _words(orders, to, day)
    _write(row, tried, changed, what, by, now)
    return PlanRevision.objects.create(
        proposal=row, number=seen + 1, at=now, by=by, what=what, effect=tried.effect, before=before
    )


@transaction.atomic
def undo(row: RouteProposal, *, by: Person | None, now: datetime) -> PlanRevision:
    """Take the newest change back; its days are again as they were.

    Raises CannotDo when there is nothing to undo, when a day is under way by now, and when going back would
    lose a pin or promise made since.
    """
    row = claimed_plan(row)
    revision = row.revisions.filter(undone_at__isnull=True).order_by("-number").first()
    if revision is None:
        raise CannotDo(f"Plan {row.pk} has no change left to undo.", remedy="There is nothing to take back.")
    days = plan_snapshots.days_in(revision.before)
    is_in_force = row.state == ProposalState.PUBLISHED
    if is_in_force:
        _refuse_under_way(row, days, now)
    branch = Branch.objects.get(pk=revision.before["branch"])
    already_broken = set(_broken_words(row, branch, now))
    on_before = _in_force_orders(row)
    plan_snapshots.remove_days(row, days)
    if is_in_force:
        _refuse_taken(row, revision.before)
    plan_snapshots.put_back(row, revision.before, is_in_force=is_in_force)
    if is_in_force:
        _follow_states(row, on_before, f"Undone: {revision.what}", by, now)
    broken = [text for text in _broken_words(row, branch, now) if text not in already_broken]
    if broken:
        raise CannotDo(
            f"Going back would break the plan. {' '.join(broken[:3])}",
            remedy="Lift the pin or promise made since, then undo.",
        )
    revision.undone_at, revision.undone_by = now, by
    revision.save(update_fields=["undone_at", "undone_by"])
    return revision


def claimed_plan(row: RouteProposal) -> RouteProposal:
    """Return the proposal locked. Raises CannotDo for one that is not open to changes."""
    row = RouteProposal.objects.select_for_update().select_related(None).get(pk=row.pk)
    if row.state not in OPEN_STATES:
        raise CannotDo(
            f"Plan {row.pk} is {row.get_state_display().lower()}.",
            remedy="Only a plan that is ready or published can be changed.",
        )
    return row


def _try(
    row: RouteProposal, orders: Sequence[WorkOrder], to: Technician | None, day: date | None, now: datetime
) -> _Tried:
    """Return the plan with the orders moved, passed by the checker. Raises CannotDo otherwise."""
    if not orders:
        raise CannotDo("No order was named.", remedy="Choose a stop on the plan.")
    branch = orders[0].site.branch
    stored = route_stored.read(row, branch, now)
    _refuse_days_gone(stored)
    plan, problem = stored.plan, stored.built.problem
    for order in orders:
        job_id = number_of(order.pk)
        if job_id not in stored.built.order_of:
            raise CannotDo(
                f"{order} is {order.get_state_display().lower()}, or its day is under way.",
                remedy="Choose another order.",
            )
        plan = _moved(stored, plan, job_id, to, day)
    broken = check(problem, plan)
    if broken:
        raise CannotDo(
            " ".join(route_stored.words_of(one, stored.built) for one in broken[:3]),
            remedy="Lift the pin first, or choose another day or person.",
        )
    effect = effect_of(compare(problem, stored.plan, plan), stored.built.order_of, stored.built.technician_of)
    if not effect["changes"]:
        raise CannotDo("That is where it is already.", remedy="Choose another day or person.")
    return _Tried(stored, plan, effect)


def _moved(
    stored: route_stored.Stored, plan: Proposal, job_id: str, to: Technician | None, day: date | None
) -> Proposal:
    built, problem = stored.built, stored.built.problem
    pin = problem.job(job_id).pin
    if pin is not None and pin.level >= PinLevel.TECHNICIAN_DAY:
        where = f"{_name(stored, pin.technician_id)} on {pin.day:%d %b}"
        if to is None or (pin.technician_id, pin.day) != (to.code, day):
            raise CannotDo(f"{job_id} is pinned to {where}.", remedy="Unpin its stop first.")
    if to is None or day is None:
        if pin is not None:
            raise CannotDo(
                f"{job_id} is promised for {pin.day:%d %b}.",
                remedy="Ask the customer and take the promise back first.",
            )
        found = _planned(lambda: moves.take_off(problem, plan, job_id))
    else:
        text, remedy = route_stored.why_not_here(stored.tables, built, job_id, (to.code, day))
        if text:
            raise CannotDo(f"{job_id} can't go there: {text}", remedy=remedy)
        found = _planned(lambda: moves.move_stop(problem, plan, job_id, to.code, day))
    if found.proposal is None:
        assert found.refusal is not None
        raise CannotDo(f"{job_id} {found.refusal.message}", remedy=found.refusal.remedy)
    return found.proposal


def _planned(move) -> moves.Moved:
    try:
        return move()
    except PlanBroken as error:
        raise CannotDo(
            f"The checker refuses it. {error}", remedy="Choose another day or person, or propose again."
        ) from error


def _refuse_days_gone(stored: route_stored.Stored) -> None:
    if stored.gone:
        raise CannotDo(
            f"This plan no longer fits the world. {' '.join(stored.gone[:3])}",
            remedy="Propose again, or re-plan after the absence.",
        )


def _name(stored: route_stored.Stored, code: str | None) -> str:
    who = stored.built.technician_of.get(code or "")
    return who.name if who else str(code)


def _changed_days(tried: _Tried) -> list[plan_snapshots.TechnicianDay]:
    old = {(one.technician_id, one.day): one.job_ids for one in tried.stored.plan.routes}
    new = {(one.technician_id, one.day): one.job_ids for one in tried.after.routes}
    people = tried.stored.built.technician_of
    return [
        (people[code].pk, day)
        for code, day in sorted(old.keys() | new.keys())
        if old.get((code, day), ()) != new.get((code, day), ())
    ]


def _write(
    row: RouteProposal,
    tried: _Tried,
    changed: list[plan_snapshots.TechnicianDay],
    what: str,
    by: Person | None,
    now: datetime,
) -> None:
    built = tried.stored.built
    _lock_orders(tried, changed)
    zone = ZoneInfo(built.branch.time_zone)
    on_before = _in_force_orders(row)
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
        _follow_states(row, on_before, what, by, now, changed)


def _lock_orders(tried: _Tried, changed: list[plan_snapshots.TechnicianDay]) -> None:
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


def _follow_states(
    row: RouteProposal,
    on_before: set[int],
    what: str,
    by: Person | None,
    now: datetime,
    changed: Sequence[plan_snapshots.TechnicianDay] = (),
) -> None:
    """Open the orders that left a published plan, claim those that came, tell those whose time moved."""
    on_now = _in_force_orders(row)
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


def _in_force_orders(row: RouteProposal) -> set[int]:
    return set(
        StopOrder.objects.filter(stop__route__proposal=row, is_in_force=True).values_list(
            "order_id", flat=True
        )
    )


def _broken_words(row: RouteProposal, branch: Branch, now: datetime) -> list[str]:
    stored = route_stored.read(row, branch, now)
    broken = check(stored.built.problem, stored.plan)
    return [*stored.gone, *(route_stored.words_of(one, stored.built) for one in broken)]


def _refuse_under_way(
    row: RouteProposal, days: Sequence[plan_snapshots.TechnicianDay], now: datetime
) -> None:
    routes = row.routes.filter(pk__in=route_stored.under_way(row, now)).select_related("technician")
    for route in routes:
        if (route.technician_id, route.day) in days:
            raise CannotDo(
                f"{route.technician.name}'s route of {route.day:%d %b} is under way.",
                remedy="Move what is left by hand instead.",
            )


def _refuse_taken(row: RouteProposal, snapshot: dict) -> None:
    """Raise CannotDo when an order to come back stands on another published plan by now."""
    ids = plan_snapshots.orders_in(snapshot)
    taken = StopOrder.objects.filter(order_id__in=ids, is_in_force=True).exclude(stop__route__proposal=row)
    first = taken.select_related("order").first()
    if first is not None:
        raise CannotDo(
            f"{first.order} stands on another published plan by now.",
            remedy="Change that plan instead.",
        )


def _totals(stored: dict, before: Totals, after: Totals) -> dict:
    names = Totals.__dataclass_fields__
    return {name: stored.get(name, 0) + getattr(after, name) - getattr(before, name) for name in names}


def _words(orders: Sequence[WorkOrder], to: Technician | None, day: date | None) -> str:
    named = ", ".join(number_of(order.pk) for order in orders)
    where = f"moved to {to.name}, {day:%d %b %Y}" if to and day else "left out"
    return f"{named} ({orders[0].site.name}) {where}"
