"""A plan being improved within a budget of time or of iterations."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from scheduling.planning.mend import make_room, mend
from scheduling.planning.prices import placed_slots, plan_cost_s
from scheduling.planning.rescue import rescue
from scheduling.planning.routing import Effort, improve_days
from scheduling.planning.tables import Assignment, Tables


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
        """Keep a mended plan when it is no dearer; return whether it is cheaper."""
        cost = plan_cost_s(self.tables, plan)
        if cost is None or cost > self.cost_s:
            return False
        cheaper = cost < self.cost_s
        self.plan, self.cost_s = plan, cost
        return cheaper

    def tried(self, base: Assignment, slots: list[int], jobs: list[int], seconds: float) -> Assignment | None:
        """Return a plan with some slots of it re-planned, not mended yet; None when nothing was found."""
        self.solves += 1
        effort = Effort(max(0.05, min(seconds, self.left_s)), self.max_iterations)
        seed = self.seed * 1009 + self.solves
        found = improve_days(self.tables, base, slots, jobs, effort, seed, self.should_stop)
        return None if found is None else {**base, **found}

    def solve(self, slots: list[int], jobs: list[int], seconds: float) -> bool:
        """Re-plan some slots; return whether the plan became cheaper."""
        found = self.tried(self.plan, slots, jobs, seconds)
        return found is not None and self.offer(mend(self.tables, found))

    def beside(self, plan: Assignment) -> Search:
        """Return a search of its own that goes on from another plan, within the same budget."""
        return replace(self, plan=plan)

    def take(self, other: Search) -> bool:
        """Keep what a search beside this one has found when it is cheaper."""
        self.solves = other.solves
        return self.offer(other.plan)

    def make_room(self) -> None:
        """Place what fits, and due work in place of what can wait, where that is cheaper."""
        roomy = mend(self.tables, self.plan, fill=True)
        make_room(self.tables, roomy, self.should_stop)
        self.offer(mend(self.tables, roomy, fill=True))

    def rescue(self) -> None:
        """Get late work in on time by swaps, where that is cheaper."""
        swapped = dict(self.plan)
        rescue(self.tables, swapped, should_stop=self.should_stop)
        self.offer(mend(self.tables, swapped))

    def window(self, slots: list[int], seconds: float) -> bool:
        """Re-plan slots with their own orders and every order not placed."""
        where, chosen = placed_slots(self.plan), set(slots)
        jobs = [
            job
            for job, allowed in enumerate(self.tables.allowed_slots)
            if (job not in where or where[job] in chosen) and not chosen.isdisjoint(allowed)
        ]
        return self.solve(slots, jobs, seconds)
