"""A stop moved by hand: the effect first, kept or not afterwards."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

from scheduling.planning.assemble import assignment_of
from scheduling.planning.compare import Comparison, compare
from scheduling.planning.explain import explain_left_out
from scheduling.planning.insertion import best_insertion, insert, open_slots, remove
from scheduling.planning.mend import owed_followers
from scheduling.planning.planner import finish
from scheduling.planning.problem import Pin, PinLevel, Problem
from scheduling.planning.proposal import Proposal, Refusal
from scheduling.planning.tables import Assignment, Tables, build_tables
from scheduling.planning.why_not_there import why_not_there


@dataclass(frozen=True)
class Moved:
    """Either a proposal with its effect, or a refusal with its remedy; never both."""

    proposal: Proposal | None
    effect: Comparison | None
    refusal: Refusal | None
    breaks_promise: bool = False
    """True when a promised visit leaves its promised day or person: the customer must be told."""


def move_stop(problem: Problem, proposal: Proposal, job_id: str, technician_id: str, day: date) -> Moved:
    """
    Return the plan with one order moved to a technician-day, at the cheapest place in that day.

    Nothing else moves. The order's own pin is lifted for the move. Raises KeyError for an unknown order.
    """
    target = Pin(PinLevel.TECHNICIAN_DAY, day, technician_id)
    eased, breaks = _eased(problem, job_id, target)
    tables = build_tables(eased)
    what = f"order {job_id}"
    if job_id in tables.unplannable:
        reason = tables.unplannable[job_id]
        return _refused(what, reason.text, reason.remedy)
    plan, job = assignment_of(tables, proposal), tables.number_of[job_id]
    remove(plan, job)
    slots = [number for number in open_slots(tables, plan, job) if _is(tables, number, target)]
    place = best_insertion(tables, plan, job, slots)
    if place is None:
        text, remedy = why_not_there(tables, plan, job, technician_id, day)
        if not text:
            reason = explain_left_out(_only(tables, job, slots), plan, job)
            text, remedy = reason.text, reason.remedy
        return _refused(what, f"can't go to {_named(tables, technician_id)} on {day:%d %b}: {text}", remedy)
    insert(plan, job, place)
    return _shown(problem, proposal, tables, plan, job, breaks)


def take_off(problem: Problem, proposal: Proposal, job_id: str) -> Moved:
    """Return the plan with one order left out, and what that costs."""
    eased, breaks = _eased(problem, job_id, None)
    tables = build_tables(eased)
    if job_id not in tables.number_of:
        return _refused(f"order {job_id}", "it is not in the plan.", "Nothing to take off.")
    plan, job = assignment_of(tables, proposal), tables.number_of[job_id]
    remove(plan, job)
    return _shown(problem, proposal, tables, plan, job, breaks)


def _eased(problem: Problem, job_id: str, target: Pin | None) -> tuple[Problem, bool]:
    """Return the problem with that order's pin lifted, and whether doing so breaks a promise."""
    if all(job.id != job_id for job in problem.jobs):
        raise KeyError(job_id)
    pin = problem.job(job_id).pin
    promised = pin is not None and pin.level == PinLevel.PROMISED
    same = (
        pin is not None
        and target is not None
        and (pin.day, pin.technician_id) == (target.day, target.technician_id)
    )
    if pin is None or same:
        return problem, False
    jobs = tuple(replace(job, pin=None) if job.id == job_id else job for job in problem.jobs)
    return replace(problem, jobs=jobs), promised


def _named(tables: Tables, technician_id: str) -> str:
    return next((one.name for one in tables.technicians if one.id == technician_id), technician_id)


def _is(tables: Tables, number: int, target: Pin) -> bool:
    slot = tables.slots[number]
    return (
        tables.technicians[slot.technician].id == target.technician_id and tables.days[slot.day] == target.day
    )


def _only(tables: Tables, job: int, slots: list[int]) -> Tables:
    """Return tables in which the order may go nowhere but to the slots asked for, to explain that refusal."""
    allowed = list(tables.allowed_slots)
    allowed[job] = tuple(slots)
    return replace(tables, allowed_slots=allowed)


def _shown(
    problem: Problem, before: Proposal, tables: Tables, plan: Assignment, job: int, breaks: bool
) -> Moved:
    followers = [one for one in range(len(tables.jobs)) if tables.predecessor[one] == job]
    if owed_followers(tables, plan, job) or (followers and not _links_kept(tables, plan, job, followers)):
        names = ", ".join(tables.jobs[one].id for one in followers)
        return _refused(
            f"order {tables.jobs[job].id}", f"order {names} must follow it in time.", "Move that one first."
        )
    after = finish(tables, plan, seed=before.seed, versions=dict(before.versions))
    return Moved(after, compare(problem, before, after), None, breaks)


def _links_kept(tables: Tables, plan: Assignment, job: int, followers: list[int]) -> bool:
    placed = {one for sequence in plan.values() for one in sequence}
    return job in placed or not placed.intersection(followers)


def _refused(what: str, message: str, remedy: str) -> Moved:
    return Moved(None, None, Refusal(what, message, remedy or "Choose another day or person."))
