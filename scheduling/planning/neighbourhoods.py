"""A plan being improved within a budget of time or of iterations.

Kinds of windows: which technician-days to plan anew together, and which kind has paid lately.
Better and better: re-plan a part of the days or people at a time, starting from what stands.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from scheduling.planning.day_plan import DayPlan
from scheduling.planning.repair import make_room, repair
from scheduling.planning.routing import Effort, improve_days
from scheduling.planning.swap_move import apply_swaps, better_days, in_trouble, stripped
from scheduling.planning.tables import Assignment, Tables
from scheduling.planning.timing import placed_slots, plan_cost_s
from shared.messages import message


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
        """Return the time left. [s]"""
        return self.ends_at - time.perf_counter()

    @property
    def over(self) -> bool:
        """Say whether the search must end."""
        return self.should_stop() or (self.max_iterations is None and self.left_s <= 0.05)

    def offer(self, plan: Assignment) -> bool:
        """Keep a repaired plan when it is no dearer; return whether it is cheaper."""
        cost = plan_cost_s(self.tables, plan)
        if cost is None or cost > self.cost_s:
            return False
        cheaper = cost < self.cost_s
        self.plan, self.cost_s = plan, cost
        return cheaper

    def tried(self, base: Assignment, slots: list[int], jobs: list[int], seconds: float) -> Assignment | None:
        """Return a plan with some slots of it re-planned, not repaired yet; None when nothing was found."""
        self.solves += 1
        effort = Effort(max(0.05, min(seconds, self.left_s)), self.max_iterations)
        seed = self.seed * 1009 + self.solves
        found = improve_days(self.tables, base, slots, jobs, effort, seed, self.should_stop)
        return None if found is None else {**base, **found}

    def solve(self, slots: list[int], jobs: list[int], seconds: float) -> bool:
        """Re-plan some slots; return whether the plan became cheaper."""
        found = self.tried(self.plan, slots, jobs, seconds)
        return found is not None and self.offer(repair(self.tables, found))

    def fork(self, plan: Assignment) -> Search:
        """Return a search of its own that goes on from another plan, within the same budget."""
        return replace(self, plan=plan)

    def take(self, other: Search) -> bool:
        """Keep what another search has found when it is cheaper."""
        self.solves = other.solves
        return self.offer(other.plan)

    def make_room(self) -> None:
        """Place what fits, and due work in place of what can wait, where that is cheaper."""
        roomy = repair(self.tables, self.plan, fill=True)
        make_room(self.tables, roomy, self.should_stop)
        self.offer(repair(self.tables, roomy, fill=True))

    def swap(self) -> None:
        """Get late work in on time by swaps, where that is cheaper."""
        swapped = dict(self.plan)
        apply_swaps(self.tables, swapped, should_stop=self.should_stop)
        self.offer(repair(self.tables, swapped))

    def window(self, slots: list[int], seconds: float) -> bool:
        """Re-plan slots with their own orders and every order not placed."""
        where, chosen = placed_slots(self.plan), set(slots)
        jobs = [
            job
            for job, allowed in enumerate(self.tables.allowed_slots)
            if (job not in where or where[job] in chosen) and not chosen.isdisjoint(allowed)
        ]
        return self.solve(slots, jobs, seconds)


@dataclass(frozen=True)
class Neighbourhood:
    """A kind of window: so many days near each other, with everybody or some neighbours.

    ``days`` by ``people``, searched for ``seconds``.
    """

    days: int
    people: int
    seconds: float

    def look(self, search: Search, rng: np.random.Generator) -> None:
        """Draw one window of this kind and re-plan it."""
        tables = search.tables
        days, people = _near_days(tables, self.days, rng), _near_people(tables, self.people, rng)
        slots = [slot.number for slot in tables.slots if slot.day in days and slot.technician in people]
        search.window(slots, _about(self.seconds, rng))


@dataclass(frozen=True)
class Near:
    """A kind of window: so many technician-days, ``routes``, whatever their day, that pass near one place,
    searched for ``seconds``.
    """

    routes: int
    seconds: float

    def look(self, search: Search, rng: np.random.Generator) -> None:
        """Draw one window of this kind, around an order drawn anywhere, and re-plan it."""
        slots = _passing_near(search, int(rng.integers(len(search.tables.jobs))), rng)
        search.window(sorted(slots[: self.routes]), _about(self.seconds, rng))


@dataclass(frozen=True)
class InTime:
    """A way out for orders that are late or missing though a better day exists.

    That day is planned from what must be done on it, then filled with what else there is, then the ``days``
    around it take in what had to leave. ``seconds`` for each of these steps.
    """

    days: int
    seconds: float

    def look(self, search: Search, rng: np.random.Generator) -> bool:
        """Draw one such order and re-plan its better day. False when there is none."""
        tables = search.tables
        waiting = in_trouble(tables, search.plan)
        if not waiting:
            return False
        job = waiting[int(rng.integers(len(waiting)))]
        day = int(rng.choice(better_days(tables, search.plan, job)))
        out = {one for one in waiting if day in better_days(tables, search.plan, one)}
        slots = [slot.number for slot in tables.slots if slot.day == day]
        needed, start = stripped(tables, search.plan, day, out)
        found = search.tried(start, slots, needed, self.seconds)
        if found is None:
            return True
        other = search.fork(repair(tables, found, fill=True))
        other.window(slots, self.seconds)
        other.make_room()
        around = sorted({slot.day for slot in tables.slots}, key=lambda one: abs(one - day) + rng.random())
        near = set(around[: self.days])
        other.window([slot.number for slot in tables.slots if slot.day in near], self.seconds)
        search.take(other)
        return True


def _about(seconds: float, rng: np.random.Generator) -> float:
    return seconds * float(0.6 + 0.8 * rng.random())


def _passing_near(search: Search, job: int, rng: np.random.Generator) -> list[int]:
    """Return all technician-days, those first that pass near an order, a little shuffled."""
    tables = search.tables
    drive = tables.drive_s[tables.job_row[job]]
    far = {
        slot.number: min(
            (drive[tables.job_row[one]] for one in search.plan.get(slot.number, ())),
            default=drive[slot.start_row],
        )
        * (0.7 + 0.6 * rng.random())
        for slot in tables.slots
    }
    return sorted(far, key=lambda number: far[number])


WHOLE = Neighbourhood(99, 99, 3.0)
NEIGHBOURHOODS = (
    Neighbourhood(5, 99, 3.0),
    Neighbourhood(3, 99, 1.5),
    Neighbourhood(2, 99, 1.0),
    Neighbourhood(99, 7, 3.0),
    Near(35, 3.0),
    Near(12, 1.0),
    Neighbourhood(5, 4, 2.0),
)
"""Measured on the invented week of 1 000 orders: early, windows of many days and everybody bring most a
second; once days are good in themselves, orders have to change days, and long windows of few people or of
routes that pass near each other bring what is left."""
TROUBLE = InTime(3, 1.2)


@dataclass
class Yield:
    """What a ``kind`` of window has brought lately, ``per_second`` of search [s of cost]. Starts hopeful."""

    kind: Neighbourhood | Near
    per_second: float = 1e9

    def learn(self, gain_s: int, seconds: float) -> None:
        """Take in what a try of this kind brought."""
        rate = gain_s / max(0.01, seconds)
        self.per_second = rate if self.per_second >= 1e9 else 0.7 * self.per_second + 0.3 * rate


def _near_days(tables: Tables, count: int, rng: np.random.Generator) -> set[int]:
    """Draw days, the first anywhere, the others mostly close to it."""
    days = sorted({slot.day for slot in tables.slots})
    lead = days[int(rng.integers(len(days)))]
    order = sorted(days, key=lambda day: abs(day - lead) + 2 * rng.random())
    return set(order[:count])


def _near_people(tables: Tables, count: int, rng: np.random.Generator) -> set[int]:
    """Draw technicians whose days start near each other."""
    start_of = {slot.technician: slot.start_row for slot in tables.slots}
    people = sorted(start_of)
    if count >= len(people):
        return set(people)
    lead = people[int(rng.integers(len(people)))]
    drive = tables.problem.travel.drive_s
    near = sorted(people, key=lambda one: float(drive[start_of[lead], start_of[one]]) * (0.5 + rng.random()))
    return {lead, *near[:count]} if lead not in near[:count] else set(near[:count])


WHOLE_UP_TO_JOBS = 150
"""Up to this many orders the whole horizon is a window too; above, one axis was measured to collapse."""
FEW_JOBS = 8
"""So few orders are planned about as well as can be in a second; nobody waits for the rest of the time."""
SWAP_EVERY = 5
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
        search.on_progress(0.25 * (index + 1) / len(days), message("routes of {days}", days=tables.days[day]))


def _may_go(tables: Tables, day_plan: DayPlan, job: int, day: int) -> bool:
    chosen = day_plan[job]
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
    kinds = [Yield(kind) for kind in ((WHOLE, *NEIGHBOURHOODS) if small else NEIGHBOURHOODS)]
    due_at = search.solves + TROUBLE_EVERY
    while not search.over:
        if search.solves >= due_at:
            is_found = TROUBLE.look(search, rng)
            due_at = search.solves + (1 if _is_late(search) else TROUBLE_EVERY)
            if is_found:
                _report(search)
                continue
        turn = kinds[search.solves % len(kinds)]
        if search.max_iterations is None and rng.random() > EXPLORE:
            turn = max(kinds, key=lambda one: one.per_second)
        began, before = time.perf_counter(), search.cost_s
        turn.kind.look(search, rng)
        turn.learn(before - search.cost_s, time.perf_counter() - began)
        if search.solves % SWAP_EVERY == 0:
            search.swap()
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
    search.on_progress(min(0.95, max(0.25, used)), message("price {hours:.1f} h, improving", hours=hours))
