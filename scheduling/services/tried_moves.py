"""A move tried on the plan as it stands today: passed by the checker, or refused with the remedy."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from scheduling.models import RouteProposal, Technician, WorkOrder
from scheduling.planning import moves
from scheduling.planning.checker import check
from scheduling.planning.compare import compare
from scheduling.planning.planner import PlanBroken
from scheduling.planning.problem import PinLevel
from scheduling.planning.proposal import Proposal
from scheduling.services import route_stored
from scheduling.services.order_states import number_of
from scheduling.services.plan_effects import Effect, effect_of
from shared.errors import CannotDo


@dataclass(frozen=True)
class Tried:
    """The plan before, the plan after, and what differs."""

    stored: route_stored.Stored
    after: Proposal
    effect: Effect


def try_move(
    row: RouteProposal, orders: Sequence[WorkOrder], to: Technician | None, day: date | None, now: datetime
) -> Tried:
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
    return Tried(stored, plan, effect)


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
