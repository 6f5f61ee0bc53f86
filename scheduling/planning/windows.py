"""Better and better: re-plan a part of the days or people at a time, starting from what stands."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np

from scheduling.planning.day_plan import DayPlan
from scheduling.planning.mend import mend
from scheduling.planning.prices import placed_slots, plan_cost_s
from scheduling.planning.routing import Effort, improve_days
from scheduling.planning.tables import Assignment, Tables

WHOLE_UP_TO_JOBS = 150
"""Up to this many orders the whole horizon is one window; above it, one axis was measured to collapse."""


@dataclass
class Search:
    """A plan being improved within a budget. Never gets worse by the price list."""

    tables: Tables
    seed: int
    ends_at: float
    seconds: float
    max_iterations: int | None
    should_stop: Callable[[], bool]
    on_progress: Callable[[float, str], None]
    plan: Assignment = field(default_factory=dict)
    cost_s: int = 0
    solves: int = 0

    def __post_init__(self) -> None:
        self.cost_s = plan_cost_s(self.tables, self.plan) or 0

    @property
    def left_s(self) -> float:
        return self.ends_at - time.perf_counter()

    @property
    def over(self) -> bool:
        return self.should_stop() or (self.max_iterations is None and self.left_s <= 0.05)

    def offer(self, plan: Assignment) -> bool:
        """Keep a mended plan when it is no dearer; return whether it is cheaper."""
        cost = plan_cost_s(self.tables, plan)
        if cost is None or cost > self.cost_s:
            return False
        cheaper = cost < self.cost_s
        self.plan, self.cost_s = plan, cost
        return cheaper

    def solve(self, slots: list[int], jobs: list[int], seconds: float) -> bool:
        """Re-plan some slots; return whether the plan became cheaper."""
        self.solves += 1
        effort = Effort(max(0.05, min(seconds, self.left_s)), self.max_iterations)
        found = improve_days(
            self.tables, self.plan, slots, jobs, effort, self.seed * 1009 + self.solves, self.should_stop
        )
        if found is None:
            return False
        return self.offer(mend(self.tables, {**self.plan, **found}))

    def window(self, slots: list[int], seconds: float) -> bool:
        """Re-plan slots with their own orders and every order not placed."""
        where, chosen = placed_slots(self.plan), set(slots)
        jobs = [
            job
            for job, allowed in enumerate(self.tables.allowed_slots)
            if (job not in where or where[job] in chosen) and not chosen.isdisjoint(allowed)
        ]
        return self.solve(slots, jobs, seconds)


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
    """Sweep over windows until the time is over; with an iteration limit, one sweep."""
    tables = search.tables
    if len(tables.jobs) <= WHOLE_UP_TO_JOBS or len({slot.day for slot in tables.slots}) == 1:
        _whole(search)
        return
    window_s = max(1.0, min(3.0, search.seconds / 20))
    sweep = 0
    while not search.over:
        gained = False
        for slots in _windows(tables, sweep):
            if search.over:
                break
            gained = search.window(slots, window_s) or gained
            _report(search)
        sweep += 1
        if search.max_iterations is not None:
            return
        if not gained:
            window_s *= 1.5
    search.on_progress(0.95, "search finished")


def _whole(search: Search) -> None:
    """The whole horizon in one window; several short seeds beat one long run."""
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


def _windows(tables: Tables, sweep: int) -> Iterator[list[int]]:
    """Yield two or three neighbouring days with everybody, then neighbouring people with every day."""
    days = sorted({slot.day for slot in tables.slots})
    width = 3 if sweep % 2 == 0 else 2
    for start in range(0, max(1, len(days) - width + 1), 1 if len(days) <= 6 else 2):
        chosen = set(days[start : start + width])
        yield [slot.number for slot in tables.slots if slot.day in chosen]
    for group in _neighbours(tables, sweep):
        yield [slot.number for slot in tables.slots if slot.technician in group]


def _neighbours(tables: Tables, sweep: int) -> Iterator[set[int]]:
    """Yield groups of technicians whose days start near each other."""
    start_of = {slot.technician: slot.start_row for slot in tables.slots}
    people = sorted(start_of)
    size = max(2, min(4, len(people) // 3 + 1))
    drive = tables.problem.travel.drive_s
    for lead in people[sweep % 2 :: 2]:
        near = sorted(people, key=lambda one: (int(drive[start_of[lead], start_of[one]]), one))
        yield set(near[:size])


def random_order(items: list[list[int]], seed: int) -> list[list[int]]:
    order = np.random.default_rng(seed).permutation(len(items))
    return [items[index] for index in order.tolist()]
