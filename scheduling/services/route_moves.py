"""The planner's hands on a plan: the effect of a move first, then kept as a change that can be undone."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.db import transaction
from django.db.models import Max

from fleet.models import Branch, Person
from scheduling.models import (
    PlanRevision,
    ProposalState,
    RouteProposal,
    StopOrder,
    Technician,
    WorkOrder,
)
from scheduling.planning.checker import check
from scheduling.services import plan_snapshots, route_stored
from scheduling.services.kept_moves import changed_days, follow_states, in_force_orders, write_move
from scheduling.services.order_states import number_of
from scheduling.services.plan_effects import Effect
from scheduling.services.tried_moves import try_move
from shared.errors import CannotDo

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
    tried = try_move(row, orders, to, day, now)
    changed = changed_days(tried)
    before = plan_snapshots.take(row, tried.stored.branch, changed)
    what = _words(orders, to, day)
    write_move(row, tried, changed, what, by, now)
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
    on_before = in_force_orders(row)
    plan_snapshots.remove_days(row, days)
    if is_in_force:
        _refuse_taken(row, revision.before)
    plan_snapshots.put_back(row, revision.before, is_in_force=is_in_force)
    if is_in_force:
        follow_states(row, on_before, f"Undone: {revision.what}", by, now)
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


def _words(orders: Sequence[WorkOrder], to: Technician | None, day: date | None) -> str:
    named = ", ".join(number_of(order.pk) for order in orders)
    where = f"moved to {to.name}, {day:%d %b %Y}" if to and day else "left out"
    return f"{named} ({orders[0].site.name}) {where}"
