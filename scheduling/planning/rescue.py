"""Get late and missing work in on time by making another visit change places, one swap at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from scheduling.planning.insertion import Insertion, best_insertion, insert, open_slots, remove
from scheduling.planning.prices import job_cost_s, placed_slots, route_cost_s
from scheduling.planning.tables import Assignment, Tables
from scheduling.planning.trouble import in_trouble, is_linked


@dataclass(frozen=True)
class Swap:
    """An order goes to ``place``; the visit in its way to ``refuge``, or is left out. Price change [s]."""

    delta_s: int
    job: int
    victim: int
    place: Insertion
    refuge: Insertion | None


@dataclass(frozen=True)
class SwapRules:
    """What a rescue may do: visits that stay, and how many due visits may change places at most."""

    stay: frozenset[int] = frozenset()
    most_moves: int = 10**6


def rescue(
    tables: Tables,
    plan: Assignment,
    rules: SwapRules = SwapRules(),
    should_stop: Callable[[], bool] | None = None,
) -> int:
    """
    Improve the plan in place: the best swap for each order late or left out though due, dearest first.

    Returns
    -------
    int
        How many due visits changed places, at most.
    """
    moves = 0
    for job in in_trouble(tables, plan):
        if moves + 2 > rules.most_moves or (should_stop is not None and should_stop()):
            break
        swap = best_swap(tables, plan, job, rules)
        if swap is None:
            continue
        remove(plan, job)
        remove(plan, swap.victim)
        insert(plan, job, swap.place)
        if swap.refuge is not None:
            insert(plan, swap.victim, swap.refuge)
        moves += 1 + tables.due_inside[swap.victim]
    return moves


def best_swap(tables: Tables, plan: Assignment, job: int, rules: SwapRules) -> Swap | None:
    """Return the swap that lowers the price most, or None when none does."""
    where = placed_slots(plan)
    own_slot = where.get(job)
    base = dict(plan)
    remove(base, job)
    freed = 0
    if own_slot is not None:
        freed = (route_cost_s(tables, own_slot, base[own_slot]) or 0) - (
            route_cost_s(tables, own_slot, plan[own_slot]) or 0
        )
    now_s, left_out_s = job_cost_s(tables, job, own_slot), job_cost_s(tables, job, None)
    best: Swap | None = None
    for number in tables.allowed_slots[job]:
        if job_cost_s(tables, job, number) >= now_s:
            continue
        for victim in base.get(number, ()):
            if victim in rules.stay or tables.pin_loss_s[victim] or is_linked(tables, victim):
                continue
            rest = tuple(one for one in base[number] if one != victim)
            trial = {**base, number: rest}
            place = best_insertion(tables, trial, job, [number])
            if place is None or not _parts_allow(tables, trial, job, number):
                continue
            change = (route_cost_s(tables, number, rest) or 0) - (
                route_cost_s(tables, number, base[number]) or 0
            )
            change += freed + place.delta_s + left_out_s - now_s - job_cost_s(tables, victim, number)
            bound = best.delta_s if best else 0
            if change >= bound:
                continue
            insert(trial, job, place)
            refuge = best_insertion(tables, trial, victim)
            victim_out = job_cost_s(tables, victim, None)
            total = change + victim_out + min(0, refuge.delta_s if refuge else 0)
            if total < bound:
                kept = refuge if refuge is not None and refuge.delta_s < 0 else None
                best = Swap(total, job, victim, place, kept)
    return best


def _parts_allow(tables: Tables, plan: Assignment, job: int, number: int) -> bool:
    return not tables.jobs[job].parts or number in open_slots(tables, plan, job)
