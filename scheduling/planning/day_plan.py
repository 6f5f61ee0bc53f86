"""Which day for which order: a small linear programme over the whole horizon, solved by HiGHS.

Routes without the solver library: day plan, cheapest insertion, turning stretches round; same checker.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import coo_matrix

from scheduling.planning.repair import best_insertion, fill_in, insert, make_room, repair
from scheduling.planning.tables import Assignment, Slot, Tables
from scheduling.planning.timing import placed_slots, route_cost_s

ALLOWANCE_S = 1100
"""Driving and walking in, per order, before routes are known; measured on synthetic weeks of our own."""


ROUNDS = 1
NEAREST = 2


DayPlan = list[int | None]
"""The day number of each order; None where it is left for later."""


def plan_days(tables: Tables, allowance_s: int = ALLOWANCE_S, rounds: int = ROUNDS) -> DayPlan:
    """
    Share the orders among the days, first by price alone, then drawn to days that already go near.

    Each later round adds to every (order, day) the drive to the nearest orders of that day in the round
    before, so that neighbours gather on one day.
    """
    plan = _share(tables, allowance_s, None)
    for _ in range(rounds):
        plan = _share(tables, allowance_s, plan)
    return plan


def _share(tables: Tables, allowance_s: int, before: DayPlan | None) -> DayPlan:
    """
    Share the orders among the days, by price, so that no day and no scarce skill is overfilled.

    Variables x[job, day] between 0 and 1. Rows: each order at most once; for every distinct set of
    technicians who may do some order, the orders only they may do fit into their time that day; linked
    visits keep their gap.
    """
    pairs = [
        (job, day)
        for job in range(len(tables.jobs))
        for day in sorted({tables.slots[number].day for number in tables.allowed_slots[job]})
    ]
    if not pairs:
        return [None] * len(tables.jobs)
    column = {pair: index for index, pair in enumerate(pairs)}
    saved = [tables.late_cost_s[job][day] - tables.unplaced_cost_s[job] for job, day in pairs]
    early = [day * 0.01 for _, day in pairs]
    rows = _Rows()
    for job in range(len(tables.jobs)):
        own = [column[job, day] for day in range(len(tables.days)) if (job, day) in column]
        if own:
            rows.add(((index, 1.0) for index in own), 1.0)
    _capacity_rows(tables, pairs, allowance_s, rows)
    _link_rows(tables, column, rows)
    cost = np.asarray(saved, dtype=float) + np.asarray(early)
    if before is not None:
        cost += _detours(tables, pairs, before)
    result = linprog(  # type: ignore[call-overload]
        cost, A_ub=rows.matrix(len(pairs)), b_ub=rows.bounds, bounds=(0, 1), method="highs"
    )
    if result.x is None:
        return [None] * len(tables.jobs)
    return _round(tables, pairs, result.x)


def _detours(tables: Tables, pairs: list[tuple[int, int]], before: DayPlan) -> np.ndarray:
    """Return for each (order, day) the mean drive to the nearest orders that day had. [s]"""
    rows = np.array(tables.job_row)
    drive = tables.problem.travel.drive_s
    nearest = np.zeros((len(tables.jobs), len(tables.days)))
    for day in range(len(tables.days)):
        members = np.array([job for job, chosen in enumerate(before) if chosen == day], dtype=int)
        if len(members) <= NEAREST:
            continue
        legs = drive[np.ix_(rows, rows[members])].astype(float)
        legs[members, np.arange(len(members))] = np.inf
        nearest[:, day] = np.sort(legs, axis=1)[:, :NEAREST].mean(axis=1)
    return np.array([nearest[job, day] for job, day in pairs])


class _Rows:
    """Rows of "at most" kind, gathered sparsely."""

    def __init__(self) -> None:
        self.row: list[int] = []
        self.column: list[int] = []
        self.value: list[float] = []
        self.bounds: list[float] = []

    def add(self, entries: Iterable[tuple[int, float]], bound: float) -> None:
        number = len(self.bounds)
        for index, value in entries:
            self.row.append(number)
            self.column.append(index)
            self.value.append(value)
        self.bounds.append(bound)

    def matrix(self, columns: int) -> coo_matrix:
        entries = (np.array(self.value), (np.array(self.row), np.array(self.column)))
        return coo_matrix(entries, shape=(len(self.bounds), columns))


def _work_s(slot: Slot) -> int:
    return slot.end_s - slot.start_s - slot.lunch_s - slot.off_s


def _capacity_rows(tables: Tables, pairs: list[tuple[int, int]], allowance_s: int, rows: _Rows) -> None:
    """Add one row per day and per distinct set of able technicians."""
    able = [
        [
            frozenset(
                tables.slots[number].technician
                for number in tables.allowed_slots[job]
                if tables.slots[number].day == day
            )
            for day in range(len(tables.days))
        ]
        for job in range(len(tables.jobs))
    ]
    for day in range(len(tables.days)):
        on_day = [(index, job) for index, (job, its_day) in enumerate(pairs) if its_day == day]
        everybody = frozenset(slot.technician for slot in tables.slots if slot.day == day)
        for group in sorted({everybody, *(able[job][day] for _, job in on_day)}, key=sorted):
            capacity = sum(
                _work_s(slot) for slot in tables.slots if slot.day == day and slot.technician in group
            )
            entries = [
                (index, float(tables.service_s[job] + allowance_s))
                for index, job in on_day
                if able[job][day] <= group
            ]
            if entries:
                rows.add(entries, float(capacity))


def _link_rows(tables: Tables, column: dict[tuple[int, int], int], rows: _Rows) -> None:
    """A second visit only inside its gap after the first; a first one only if its second has room."""
    ordinals = [day.toordinal() for day in tables.days]
    for job, first in enumerate(tables.predecessor):
        link = tables.jobs[job].after
        if first is None or link is None:
            continue
        for day, ordinal in enumerate(ordinals):
            if (job, day) in column:
                before = [
                    (column[first, other], -1.0)
                    for other, other_ordinal in enumerate(ordinals)
                    if (first, other) in column
                    and link.min_gap_days <= ordinal - other_ordinal <= link.max_gap_days
                ]
                rows.add([(column[job, day], 1.0), *before], 0.0)
            if (first, day) in column and ordinal + link.max_gap_days <= ordinals[-1]:
                behind = [
                    (column[job, other], -1.0)
                    for other, other_ordinal in enumerate(ordinals)
                    if (job, other) in column
                    and link.min_gap_days <= other_ordinal - ordinal <= link.max_gap_days
                ]
                rows.add([(column[first, day], 1.0), *behind], 0.0)


def _round(tables: Tables, pairs: list[tuple[int, int]], values: np.ndarray) -> DayPlan:
    """Give each order its heaviest day; orders mostly left out stay out."""
    best: list[tuple[float, int | None]] = [(0.0, None)] * len(tables.jobs)
    total = [0.0] * len(tables.jobs)
    for (job, day), value in zip(pairs, values.tolist(), strict=True):
        total[job] += value
        if value > best[job][0] + 1e-9:
            best[job] = (value, day)
    return [day if total[job] >= 0.5 else None for job, (_, day) in enumerate(best)]


def simple_plan(
    tables: Tables, day_plan: DayPlan, should_stop: Callable[[], bool] | None = None
) -> Assignment:
    """Return a plan by cheapest insertion on the day the day plan chose, then anywhere, then 2-opt."""
    plan: Assignment = {}
    order = sorted(
        range(len(tables.jobs)),
        key=lambda job: (
            tables.jobs[job].pin is None,
            len(tables.allowed_slots[job]),
            -tables.service_s[job],
            job,
        ),
    )
    for job in order:
        day = day_plan[job]
        if day is None or tables.is_linked(job):
            continue
        slots = [number for number in tables.allowed_slots[job] if tables.slots[number].day == day]
        place = best_insertion(tables, plan, job, slots)
        if place is not None and place.delta_s < 0:
            insert(plan, job, place)
    placed = placed_slots(plan)
    fill_in(tables, plan, [job for job in order if job not in placed], should_stop)
    make_room(tables, plan, should_stop)
    return repair(tables, {number: two_opt(tables, number, sequence) for number, sequence in plan.items()})


def two_opt(tables: Tables, number: int, sequence: tuple[int, ...]) -> tuple[int, ...]:
    """Turn stretches of one day round while that makes it cheaper (Croes 1958)."""
    best_cost = route_cost_s(tables, number, sequence)
    if best_cost is None:
        return sequence
    improved = True
    while improved:
        improved = False
        for start in range(len(sequence) - 1):
            for end in range(start + 2, len(sequence) + 1):
                turned = (*sequence[:start], *reversed(sequence[start:end]), *sequence[end:])
                cost = route_cost_s(tables, number, turned)
                if cost is not None and cost < best_cost:
                    sequence, best_cost, improved = turned, cost, True
    return sequence
