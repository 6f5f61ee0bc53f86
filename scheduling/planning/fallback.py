"""Routes without the solver library: day plan, cheapest insertion, turning stretches round; same checker."""

from __future__ import annotations

from collections.abc import Callable

from scheduling.planning.day_plan import DayPlan
from scheduling.planning.insertion import best_insertion, insert
from scheduling.planning.mend import fill_in, make_room, mend
from scheduling.planning.prices import placed_slots, route_cost_s
from scheduling.planning.tables import Assignment, Tables


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
        day = day_plan.day_of[job]
        if day is None or tables.predecessor[job] is not None or tables.successors[job]:
            continue
        slots = [number for number in tables.allowed_slots[job] if tables.slots[number].day == day]
        place = best_insertion(tables, plan, job, slots)
        if place is not None and place.delta_s < 0:
            insert(plan, job, place)
    placed = placed_slots(plan)
    fill_in(tables, plan, [job for job in order if job not in placed], should_stop)
    make_room(tables, plan, should_stop)
    return mend(tables, {number: two_opt(tables, number, sequence) for number, sequence in plan.items()})


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
