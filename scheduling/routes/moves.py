"""A move tried on the plan as it stands today: passed by the checker, or refused with the remedy.

What keeping a move writes: the days that change, and the states of the orders that come, go or stay.
The planner's hands on a plan: the effect of a move first, then kept as a change that can be undone.
What holds an order in its place: a stop pinned by hand, a day promised to the customer.
"""

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
    Stop,
    StopOrder,
    Technician,
    WorkOrder,
)
from scheduling.orders import states
from scheduling.orders.states import number_of
from scheduling.planning import replan
from scheduling.planning.checker import check
from scheduling.planning.planner import PlanBroken
from scheduling.planning.problem import PinLevel
from scheduling.planning.proposal import Proposal, Totals, compare
from scheduling.routes import snapshots
from scheduling.routes import stored as routes_stored
from scheduling.routes.snapshots import Effect, effect_of
from shared.errors import DomainError
from shared.messages import joined, message
from shared.translation import label_of


@dataclass(frozen=True)
class Tried:
    """The plan before, the plan after, and what differs."""

    stored: routes_stored.Stored
    after: Proposal
    effect: Effect


def try_move(
    row: RouteProposal, orders: Sequence[WorkOrder], to: Technician | None, day: date | None, now: datetime
) -> Tried:
    """Return the plan with the orders moved, passed by the checker. Raises DomainError otherwise."""
    if not orders:
        raise DomainError(message("No order was named."), remedy=message("Choose a stop on the plan."))
    branch = orders[0].site.branch
    stored = routes_stored.read(row, branch, now)
    _refuse_days_gone(stored)
    plan, problem = stored.plan, stored.built.problem
    for order in orders:
        job_id = number_of(order.pk)
        if job_id not in stored.built.order_of:
            raise DomainError(
                message(
                    "{order} is {state}, or its day is under way.",
                    order=order,
                    state=label_of(OrderState, order.state).lower(),
                ),
                remedy=message("Choose another order."),
            )
        plan = _moved(stored, plan, job_id, to, day)
    broken = check(problem, plan)
    if broken:
        raise DomainError(
            joined(" ", (routes_stored.words_of(one, stored.built) for one in broken[:3])),
            remedy=message("Remove the lock first, or choose another day or person."),
        )
    effect = effect_of(compare(problem, stored.plan, plan), stored.built.order_of, stored.built.technician_of)
    if not effect["changes"]:
        raise DomainError(
            message("That is where it is already."), remedy=message("Choose another day or person.")
        )
    return Tried(stored, plan, effect)


def _moved(
    stored: routes_stored.Stored, plan: Proposal, job_id: str, to: Technician | None, day: date | None
) -> Proposal:
    built, problem = stored.built, stored.built.problem
    pin = problem.job(job_id).pin
    if pin is not None and pin.level >= PinLevel.TECHNICIAN_DAY:
        where = message("{stored} on {day:%d %b}", stored=_name(stored, pin.technician_id), day=pin.day)
        if to is None or (pin.technician_id, pin.day) != (to.code, day):
            raise DomainError(
                message("{job_id} is locked to {where}.", job_id=job_id, where=where),
                remedy=message("Unlock its stop first."),
            )
    if to is None or day is None:
        if pin is not None:
            raise DomainError(
                message("{job_id} is promised for {day:%d %b}.", job_id=job_id, day=pin.day),
                remedy=message("Ask the customer and take the promise back first."),
            )
        found = _planned(lambda: replan.take_off(problem, plan, job_id))
    else:
        text, remedy = routes_stored.why_not_here(stored.tables, built, job_id, (to.code, day))
        if text:
            raise DomainError(
                message("{job_id} can't go there: {text}", job_id=job_id, text=text), remedy=remedy
            )
        found = _planned(lambda: replan.move_stop(problem, plan, job_id, to.code, day))
    if found.proposal is None:
        assert found.refusal is not None
        raise DomainError(joined(" ", (job_id, found.refusal.message)), remedy=found.refusal.remedy)
    return found.proposal


def _planned(move) -> replan.Moved:
    try:
        return move()
    except PlanBroken as error:
        raise DomainError(
            message("The checker refuses it. {error}", error=error),
            remedy=message("Choose another day or person, or propose again."),
        ) from error


def _refuse_days_gone(stored: routes_stored.Stored) -> None:
    if stored.gone:
        raise DomainError(
            message("This plan no longer fits the world. {list}", list=joined(" ", stored.gone[:3])),
            remedy=message("Propose again, or re-plan after the absence."),
        )


def _name(stored: routes_stored.Stored, code: str | None) -> str:
    who = stored.built.technician_of.get(code or "")
    return who.name if who else str(code)


def changed_days(tried: Tried) -> list[snapshots.TechnicianDay]:
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
    changed: list[snapshots.TechnicianDay],
    what: str,
    by: Person | None,
    now: datetime,
) -> None:
    """Write the days that a move changes, what it leaves out, the totals and the states of its orders."""
    built = tried.stored.built
    _lock_orders(tried, changed)
    zone = ZoneInfo(built.branch.time_zone)
    on_before = in_force_orders(row)
    snapshots.remove_days(row, changed)
    row.unplaced.filter(order__site__branch=built.branch).delete()
    for route in tried.after.routes:
        if (built.technician_of[route.technician_id].pk, route.day) in changed and route.stops:
            routes_stored.write_route(row, route, built, zone)
    routes_stored.write_unplaced(row, built, tried.after)
    row.totals = _totals(row.totals, tried.stored.plan.totals, tried.after.totals)
    row.save(update_fields=["totals"])
    if row.state == ProposalState.PUBLISHED:
        for technician_id, day in changed:
            fresh = row.routes.filter(technician_id=technician_id, day=day)
            StopOrder.objects.filter(stop__route__in=fresh).update(is_in_force=True)
            fresh.update(is_in_force=True)
        follow_states(row, on_before, what, by, now, changed)


def _lock_orders(tried: Tried, changed: list[snapshots.TechnicianDay]) -> None:
    """Hold the orders of the days that change. Raises DomainError when one was finished a moment ago."""
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
            raise DomainError(
                message(
                    "{order} was {state} a moment ago.",
                    order=order,
                    state=label_of(OrderState, order.state).lower(),
                ),
                remedy=message("Look at the move again."),
            )


def follow_states(
    row: RouteProposal,
    on_before: set[int],
    what: str,
    by: Person | None,
    now: datetime,
    changed: Sequence[snapshots.TechnicianDay] = (),
) -> None:
    """Open the orders that left a published plan, claim those that came, tell those whose time moved."""
    on_now = in_force_orders(row)
    states.release(sorted(on_before - on_now), what, at=now, by=by)
    came = sorted(on_now - on_before)
    claimed = WorkOrder.objects.filter(pk__in=came, state=OrderState.OPEN).update(
        state=OrderState.ON_ROUTE, changed_at=now
    )
    if claimed != len(came):
        raise DomainError(
            message("An order is no longer open, or stands on another published plan."),
            remedy=message("Look at the plan again and choose another order."),
        )
    states.note_all(came, message("put on a route"), what, at=now, by=by)
    stayed = on_before & on_now
    for technician_id, day in changed:
        links = StopOrder.objects.filter(
            stop__route__proposal=row, stop__route__technician=technician_id, stop__route__day=day
        )
        here = [pk for pk in links.values_list("order_id", flat=True) if pk in stayed]
        states.note_all(here, message("route changed"), what, at=now, by=by)


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


OPEN_STATES = (ProposalState.READY, ProposalState.PUBLISHED)


@dataclass(frozen=True)
class Shown:
    """What a move would do. Either an effect, or why it can't be; nothing is written."""

    effect: Effect | None
    refusal: str = ""
    remedy: str = ""


def latest_number(row: RouteProposal) -> int:
    """Return the number of the newest change by hand; 0 when there is none. What a page must have seen."""
    return row.revisions.aggregate(newest=Max("number"))["newest"] or 0


def show_move(
    row: RouteProposal, orders: Sequence[WorkOrder], to: Technician | None, day: date | None, *, now: datetime
) -> Shown:
    """Return what moving these orders would change; without a technician, what leaving them out would."""
    try:
        return Shown(try_move(row, orders, to, day, now).effect)
    except DomainError as error:
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

    ``seen`` is the change the person looked at. Raises DomainError when the plan changed since, and with the
    broken rule and its remedy when the checker refuses the result.
    """
    row = claimed_plan(row)
    if latest_number(row) != seen:
        raise DomainError(
            message("Somebody changed this plan while you looked at it."),
            remedy=message("Look at the move again, then keep it."),
        )
    tried = try_move(row, orders, to, day, now)
    changed = changed_days(tried)
    before = snapshots.take(row, tried.stored.built.branch, changed)
    what = _words(orders, to, day)
    write_move(row, tried, changed, what, by, now)
    return PlanRevision.objects.create(
        proposal=row, number=seen + 1, at=now, by=by, what=what, effect=tried.effect, before=before
    )


@transaction.atomic
def undo(row: RouteProposal, *, by: Person | None, now: datetime) -> PlanRevision:
    """Take the newest change back; its days are again as they were.

    Raises DomainError when there is nothing to undo, when a day is under way by now, and when going back
    would
    lose a pin or promise made since.
    """
    row = claimed_plan(row)
    revision = row.revisions.filter(undone_at__isnull=True).order_by("-number").first()
    if revision is None:
        raise DomainError(
            message("Plan {pk} has no change left to undo.", pk=row.pk),
            remedy=message("There is nothing to take back."),
        )
    days = snapshots.days_in(revision.before)
    is_in_force = row.state == ProposalState.PUBLISHED
    if is_in_force:
        _refuse_under_way(row, days, now)
    branch = Branch.objects.get(pk=revision.before["branch"])
    already_broken = set(_broken_words(row, branch, now))
    on_before = in_force_orders(row)
    snapshots.remove_days(row, days)
    if is_in_force:
        _refuse_taken(row, revision.before)
    snapshots.put_back(row, revision.before, is_in_force=is_in_force)
    if is_in_force:
        follow_states(row, on_before, message("Undone: {what}", what=revision.what), by, now)
    broken = [text for text in _broken_words(row, branch, now) if text not in already_broken]
    if broken:
        raise DomainError(
            message("Going back would break the plan. {list}", list=joined(" ", broken[:3])),
            remedy=message("Remove the lock or promise made since, then undo."),
        )
    revision.undone_at, revision.undone_by = now, by
    revision.save(update_fields=["undone_at", "undone_by"])
    return revision


def claimed_plan(row: RouteProposal) -> RouteProposal:
    """Return the proposal locked. Raises DomainError for one that is not open to changes."""
    row = RouteProposal.objects.select_for_update().select_related(None).get(pk=row.pk)
    if row.state not in OPEN_STATES:
        raise DomainError(
            message("Plan {pk} is {state}.", pk=row.pk, state=label_of(ProposalState, row.state).lower()),
            remedy=message("Only a plan that is ready or published can be changed."),
        )
    return row


def _broken_words(row: RouteProposal, branch: Branch, now: datetime) -> list[str]:
    stored = routes_stored.read(row, branch, now)
    broken = check(stored.built.problem, stored.plan)
    return [*stored.gone, *(routes_stored.words_of(one, stored.built) for one in broken)]


def _refuse_under_way(row: RouteProposal, days: Sequence[snapshots.TechnicianDay], now: datetime) -> None:
    routes = row.routes.filter(pk__in=routes_stored.under_way(row, now)).select_related("technician")
    for route in routes:
        if (route.technician_id, route.day) in days:
            raise DomainError(
                message(
                    "{name}'s route of {day:%d %b} is under way.", name=route.technician.name, day=route.day
                ),
                remedy=message("Move what is left by hand instead."),
            )


def _refuse_taken(row: RouteProposal, snapshot: dict) -> None:
    """Raise DomainError when an order to come back stands on another published plan by now."""
    ids = snapshots.orders_in(snapshot)
    taken = StopOrder.objects.filter(order_id__in=ids, is_in_force=True).exclude(stop__route__proposal=row)
    first = taken.select_related("order").first()
    if first is not None:
        raise DomainError(
            message("{order} stands on another published plan by now.", order=first.order),
            remedy=message("Change that plan instead."),
        )


def _words(orders: Sequence[WorkOrder], to: Technician | None, day: date | None) -> str:
    named = ", ".join(number_of(order.pk) for order in orders)
    where = (
        message("moved to {name}, {day:%d %b %Y}", name=to.name, day=day)
        if to and day
        else message("not scheduled")
    )
    return message("{orders} ({site}) {where}", orders=named, site=orders[0].site.name, where=where)


@transaction.atomic
def set_pin(stop: Stop, is_pinned: bool, *, by: Person | None, now: datetime) -> None:
    """Pin a stop to its person and day, or let it go. Raises DomainError on a plan that is set aside."""
    claimed_plan(stop.route.proposal)
    if not Stop.objects.filter(pk=stop.pk, is_pinned=not is_pinned).update(is_pinned=is_pinned):
        return
    ids = list(stop.orders.values_list("order_id", flat=True))
    who = message("{name}, {day:%d %b %Y}", name=stop.route.technician.name, day=stop.route.day)
    states.note_all(ids, message("locked") if is_pinned else message("unlocked"), who, at=now, by=by)
