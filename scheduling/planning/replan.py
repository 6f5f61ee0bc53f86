"""After a sick call or an urgent order: keep what was promised or is due, let later work make room.

A stop moved by hand: the effect first, kept or not afterwards.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date

from scheduling.planning.explain import explain_left_out
from scheduling.planning.near_miss import why_not_there
from scheduling.planning.planner import assignment_of, finish, improved, polish
from scheduling.planning.problem import Job, Pin, PinLevel, Problem
from scheduling.planning.proposal import Comparison, Proposal, Refusal, compare
from scheduling.planning.repair import (
    best_insertion,
    insert,
    make_room,
    open_slots,
    owed_followers,
    remove,
    repair,
)
from scheduling.planning.swap_move import apply_swaps, charged, steady
from scheduling.planning.tables import Assignment, Tables, build_tables
from shared.messages import message

SEARCH_SHARE = 0.65
"""Of the time given, for the search; the rest is for swaps, the validator and the reasons."""
MOST_MOVED = 0.03
"""The most due visits that may change places, as a share."""


@dataclass(frozen=True)
class Replanned:
    """The new plan against the published one. ``lost`` names each promise that could not be kept, and why."""

    proposal: Proposal
    comparison: Comparison
    lost: tuple[Refusal, ...]


def replan(
    problem: Problem,
    published: Proposal,
    *,
    seconds: float,
    seed: int,
    frozen_until: date | None = None,
    max_iterations: int | None = None,
    on_progress: Callable[[float, str], None] | None = None,
    should_stop: Callable[[], bool] | None = None,
    use_solver: bool = True,
) -> Replanned:
    """
    Re-plan from a published plan with the fewest moved promises.

    Parameters
    ----------
    problem : as it is now: the absent technician's shifts gone, the urgent orders added, promises as pins.
    published : the plan people know; orders done since are simply no longer in the problem.
    frozen_until : every published visit on or before this day stays.

    Notes
    -----
    Promised visits and visits due inside the days keep technician and day. A visit of somebody who is absent
    keeps its promised day and time with another person if anybody can. Orders due later may be moved or left
    out. A step of the search that would lose a pin is refused, so the old visit stands.
    """
    began = time.perf_counter()
    held = replace(problem, jobs=tuple(_held(problem, published, job, frozen_until) for job in problem.jobs))
    tables = charged(build_tables(held), published)
    search_s = SEARCH_SHARE * seconds
    plan = repair(tables, assignment_of(tables, published), fill=True)
    make_room(tables, plan, should_stop)
    plan = repair(tables, plan, fill=True)
    if use_solver:
        plan = improved(
            tables, plan, seed, began + search_s, search_s, max_iterations, should_stop, on_progress
        )
    plan = polish(tables, plan)
    released = build_tables(_released(problem, held))
    loose = charged(released, published)
    late = (lambda: time.perf_counter() > began + 0.85 * seconds) if max_iterations is None else None
    moved = _few_moves(loose, _renumbered(tables, loose, plan), late)
    moved = steady(loose, moved, assignment_of(loose, published))
    return _judged(problem, published, finish(released, repair(released, moved, fill=True), seed=seed))


def _renumbered(tables: Tables, loose: Tables, plan: Assignment) -> Assignment:
    """Return the plan in the job numbers of other tables of the same shifts."""
    ids = {number: [tables.jobs[job].id for job in sequence] for number, sequence in plan.items()}
    return {
        number: tuple(loose.number_of[job_id] for job_id in job_ids if job_id in loose.number_of)
        for number, job_ids in ids.items()
    }


def _few_moves(loose: Tables, plan: Assignment, late: Callable[[], bool] | None) -> Assignment:
    """Let a few due visits change places where that pays, each move charged; promises never."""
    due = sum(loose.due_inside[job] for sequence in plan.values() for job in sequence)
    moved = dict(plan)
    apply_swaps(loose, moved, int(MOST_MOVED * due), late)
    return repair(loose, moved)


def _released(problem: Problem, held: Problem) -> Problem:
    """Return the problem with its own pins, except those an absence made impossible, eased as in ``held``."""
    eased = {job.id: job.pin for job in held.jobs}
    return replace(
        problem,
        jobs=tuple(
            job if job.pin is None or _stands(problem, job.pin) else replace(job, pin=eased[job.id])
            for job in problem.jobs
        ),
    )


def _held(problem: Problem, published: Proposal, job: Job, frozen_until: date | None) -> Job:
    """Return the order with the pin it deserves in this re-plan."""
    if job.pin is not None and job.pin.level == PinLevel.PROMISED:
        return job if _stands(problem, job.pin) else replace(job, pin=_same_time_anybody(job.pin))
    spot = published.where(job.id)
    if spot is None:
        return job if job.pin is None or _stands(problem, job.pin) else replace(job, pin=None)
    route, _ = spot
    here = Pin(PinLevel.TECHNICIAN_DAY, route.day, route.technician_id)
    due = job.last_day <= problem.days[-1]
    frozen = frozen_until is not None and route.day <= frozen_until
    if _stands(problem, here) and (due or frozen):
        return replace(job, pin=job.pin if job.pin and job.pin.level >= PinLevel.TECHNICIAN_DAY else here)
    return job if job.pin is None or _stands(problem, job.pin) else replace(job, pin=None)


def _same_time_anybody(pin: Pin) -> Pin:
    return replace(pin, level=PinLevel.DAY, technician_id=None)


def _stands(problem: Problem, pin: Pin) -> bool:
    """Whether the pinned person (or, for a day, anybody) works that day."""
    return any(
        shift.day == pin.day and pin.technician_id in (None, shift.technician_id) for shift in problem.shifts
    )


def _judged(problem: Problem, published: Proposal, proposal: Proposal) -> Replanned:
    left_out = {one.job_id: one for one in proposal.unplaced}
    lost = tuple(
        Refusal(
            message("order {id}", id=job.id),
            message("its promised visit is lost: {text}", text=left_out[job.id].text),
            message("Call the customer."),
        )
        for job in problem.jobs
        if job.pin is not None and job.pin.level == PinLevel.PROMISED and job.id in left_out
    )
    return Replanned(proposal, compare(problem, published, proposal), lost)


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
    what = message("order {id}", id=job_id)
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
        return _refused(
            what,
            message(
                "can't go to {tables} on {day:%d %b}: {text}",
                tables=_named(tables, technician_id),
                day=day,
                text=text,
            ),
            remedy,
        )
    insert(plan, job, place)
    return _shown(problem, proposal, tables, plan, job, breaks)


def take_off(problem: Problem, proposal: Proposal, job_id: str) -> Moved:
    """Return the plan with one order left out, and what that costs."""
    eased, breaks = _eased(problem, job_id, None)
    tables = build_tables(eased)
    if job_id not in tables.number_of:
        return _refused(
            message("order {id}", id=job_id),
            message("it is not in the plan."),
            message("Nothing to take off."),
        )
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
            message("order {id}", id=tables.jobs[job].id),
            message("order {names} must follow it in time.", names=names),
            message("Move that one first."),
        )
    after = finish(tables, plan, seed=before.seed, versions=dict(before.versions))
    return Moved(after, compare(problem, before, after), None, breaks)


def _links_kept(tables: Tables, plan: Assignment, job: int, followers: list[int]) -> bool:
    placed = {one for sequence in plan.values() for one in sequence}
    return job in placed or not placed.intersection(followers)


def _refused(what: str, text: str, remedy: str) -> Moved:
    return Moved(None, None, Refusal(what, text, remedy or message("Choose another day or person.")))
