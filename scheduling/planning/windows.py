"""Better and better: re-plan a part of the days or people at a time, starting from what stands."""

from __future__ import annotations

import time

import numpy as np

from scheduling.planning.day_plan import DayPlan
from scheduling.planning.prices import placed_slots
from scheduling.planning.search import Search
from scheduling.planning.shapes import SHAPES, TROUBLE, WHOLE, Yield
from scheduling.planning.tables import Tables

WHOLE_UP_TO_JOBS = 150
"""Up to this many orders the whole horizon is a window too; above, one axis was measured to collapse."""
FEW_JOBS = 8
"""So few orders are planned about as well as can be in a second; nobody waits for the rest of the time."""
RESCUE_EVERY = 5
TROUBLE_EVERY = 4
"""After so many windows one is for an order that is late or missing and need not be."""
LAST_SHARE = 0.2
"""Of the time; then such orders come after every window."""
EXPLORE = 0.25
"""Share of windows drawn in turn, whatever they brought before."""
FIXED_WINDOWS = 6


def first_routes(search: Search, day_plan: DayPlan, seconds: float) -> None:
    """Plan each day on its own with the orders the day plan gave it, and those still left over."""
    tables = search.tables
    days = sorted({slot.day for slot in tables.slots})
    for index, day in enumerate(days):
        if search.over:
            return
        slots = [slot.number for slot in tables.slots if slot.day == day]
        where, chosen = placed_slots(search.plan), set(slots)
        jobs = [
            job
            for job, allowed in enumerate(tables.allowed_slots)
            if not chosen.isdisjoint(allowed)
            and (where[job] in chosen if job in where else _may_go(tables, day_plan, job, day))
        ]
        search.solve(slots, jobs, seconds / len(days))
        search.on_progress(0.25 * (index + 1) / len(days), f"routes of {tables.days[day]}")


def _may_go(tables: Tables, day_plan: DayPlan, job: int, day: int) -> bool:
    chosen = day_plan.day_of[job]
    return chosen is None or chosen <= day


def improve(search: Search) -> None:
    """Re-plan window after window until the time is over; with an iteration limit, a fixed number of them."""
    tables = search.tables
    if len(tables.jobs) <= FEW_JOBS and search.max_iterations is None:
        _few(search)
        return
    small, one_day = len(tables.jobs) <= WHOLE_UP_TO_JOBS, len({slot.day for slot in tables.slots}) == 1
    if one_day or (small and search.max_iterations is not None):
        _whole(search)
        return
    rng = np.random.default_rng(search.seed)
    shapes = [Yield(shape) for shape in ((WHOLE, *SHAPES) if small else SHAPES)]
    due_at = search.solves + TROUBLE_EVERY
    while not search.over:
        if search.solves >= due_at:
            is_found = TROUBLE.look(search, rng)
            due_at = search.solves + (1 if _is_late(search) else TROUBLE_EVERY)
            if is_found:
                _report(search)
                continue
        turn = shapes[search.solves % len(shapes)]
        if search.max_iterations is None and rng.random() > EXPLORE:
            turn = max(shapes, key=lambda one: one.per_second)
        began, before = time.perf_counter(), search.cost_s
        turn.shape.look(search, rng)
        turn.learn(before - search.cost_s, time.perf_counter() - began)
        if search.solves % RESCUE_EVERY == 0:
            search.rescue()
        _report(search)
        if search.max_iterations is not None and search.solves >= FIXED_WINDOWS + len(tables.days):
            return


def _is_late(search: Search) -> bool:
    """Whether little of the time is left: what is late without need goes before what is long on the road."""
    return search.max_iterations is None and search.left_s < LAST_SHARE * search.seconds


def _few(search: Search) -> None:
    """All days in one window, a second at a time, as long as that brings something."""
    slots = [slot.number for slot in search.tables.slots]
    while not search.over and search.window(slots, 1.0):
        _report(search)


def _whole(search: Search) -> None:
    """All days in one window; several short seeds beat one long run."""
    slots = [slot.number for slot in search.tables.slots]
    share = max(1.0, search.left_s / 3)
    while not search.over:
        search.window(slots, share)
        _report(search)
        if search.max_iterations is not None:
            return


def _report(search: Search) -> None:
    used = 1 - max(0.0, search.left_s) / search.seconds if search.max_iterations is None else 0.6
    hours = search.cost_s / 3600
    search.on_progress(min(0.95, max(0.25, used)), f"price {hours:.1f} h, improving")
