"""Late or missing work that need not be: which it is, its better days, and what else those days must do.

Get late and missing work in on time by making another visit change places, one swap at a time.
A new plan close to the one people know: moving a visit has a price, and what need not differ does not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from scheduling.planning.proposal import Proposal
from scheduling.planning.repair import Insertion, best_insertion, insert, open_slots, remove
from scheduling.planning.tables import Assignment, Sequence_, Tables
from scheduling.planning.timing import job_cost_s, placed_slots, plan_cost_s, route_cost_s


def in_trouble(tables: Tables, plan: Assignment) -> list[int]:
    """Return due orders late or left out for which some technician-day would be better, dearest first."""
    where = placed_slots(plan)
    found = []
    for job in range(len(tables.jobs)):
        if not tables.due_inside[job] or tables.is_linked(job):
            continue
        cost = job_cost_s(tables, job, where.get(job))
        if any(job_cost_s(tables, job, number) < cost for number in tables.allowed_slots[job]):
            found.append((-cost, job))
    return [job for _, job in sorted(found)]


def better_days(tables: Tables, plan: Assignment, job: int) -> list[int]:
    """Return the days on which the order would cost less than where it stands."""
    now_s = job_cost_s(tables, job, placed_slots(plan).get(job))
    days = {tables.slots[number].day for number in tables.allowed_slots[job]}
    return sorted(day for day in days if tables.late_cost_s[job][day] < now_s)


def stripped(tables: Tables, plan: Assignment, day: int, late: set[int]) -> tuple[list[int], Assignment]:
    """Return (orders that must be done on this day, the plan with nothing else on it and without the late).

    What must: the late ones, what would cost more on any other day, what is pinned or linked.
    """
    here = {job for number, jobs in plan.items() if tables.slots[number].day == day for job in jobs}
    must = late | {job for job in here if _must_stay(tables, job, day)}
    start = {
        number: tuple(
            job for job in jobs if job not in late and (job in must or tables.slots[number].day != day)
        )
        for number, jobs in plan.items()
    }
    return sorted(must), start


def _must_stay(tables: Tables, job: int, day: int) -> bool:
    if tables.pin_loss_s[job] or tables.is_linked(job):
        return True
    cost = tables.late_cost_s[job]
    days = {tables.slots[number].day for number in tables.allowed_slots[job]} - {day}
    return tables.due_inside[job] and all(cost[other] > cost[day] for other in days)


@dataclass(frozen=True)
class Swap:
    """An order goes to ``place``; the visit in its way to ``refuge``, or is left out. Price change [s]."""

    delta_s: int
    job: int
    victim: int
    place: Insertion
    refuge: Insertion | None


def apply_swaps(
    tables: Tables,
    plan: Assignment,
    most_moves: int = 10**6,
    should_stop: Callable[[], bool] | None = None,
) -> int:
    """
    Improve the plan in place: the best swap for each order late or left out though due, dearest first.

    ``most_moves`` bounds how many due visits may change places.

    Returns
    -------
    int
        How many due visits changed places, at most.
    """
    moves = 0
    for job in in_trouble(tables, plan):
        if moves + 2 > most_moves or (should_stop is not None and should_stop()):
            break
        swap = best_swap(tables, plan, job)
        if swap is None:
            continue
        remove(plan, job)
        remove(plan, swap.victim)
        insert(plan, job, swap.place)
        if swap.refuge is not None:
            insert(plan, swap.victim, swap.refuge)
        moves += 1 + tables.due_inside[swap.victim]
    return moves


def best_swap(tables: Tables, plan: Assignment, job: int) -> Swap | None:
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
            if tables.pin_loss_s[victim] or tables.is_linked(victim):
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


MOVE_MUST_SAVE_S = 15 * 60
"""What moving one visit that nobody was promised must save: ours, a quarter of an hour of driving."""


def charged(tables: Tables, published: Proposal) -> Tables:
    """Return tables in which a visit costs a quarter of an hour more anywhere but where people know it to be:
    on another day, with somebody else, or left out. Visits of those now absent cost nothing to move. Later
    work that was not on the plan is worth nothing, so that it pushes nobody out; what room is left is filled
    by the true prices.
    """
    settings = tables.problem.settings
    priced = replace(settings, other_technician=max(settings.other_technician, MOVE_MUST_SAVE_S / 60))
    late, unplaced, preferred = list(tables.late_cost_s), list(tables.unplaced_cost_s), list(tables.preferred)
    number_of = {one.id: number for number, one in enumerate(tables.technicians)}
    slot_of = {(slot.technician, tables.days[slot.day]): slot for slot in tables.slots}
    for route, stop in published.placements():
        job = tables.number_of.get(stop.job_id)
        slot = slot_of.get((number_of.get(route.technician_id, -1), route.day))
        if job is None or slot is None or slot.number not in tables.allowed_slots[job]:
            continue
        late[job] = [
            cost if day == slot.day else cost + MOVE_MUST_SAVE_S for day, cost in enumerate(late[job])
        ]
        unplaced[job] += MOVE_MUST_SAVE_S
        preferred[job] = slot.technician
    known = {stop.job_id for _, stop in published.placements()}
    for number, order in enumerate(tables.jobs):
        if order.id not in known and order.pin is None and not tables.due_inside[number]:
            unplaced[number] = 0
    return replace(
        tables,
        problem=replace(tables.problem, settings=priced),
        late_cost_s=late,
        unplaced_cost_s=unplaced,
        preferred=preferred,
        route_memo={},
        busy_memo={},
    )


def steady(tables: Tables, plan: Assignment, known: Assignment) -> Assignment:
    """
    Return the plan with visits back where they were known to be, and in the known order of the day.

    By the charged ``tables`` nothing becomes dearer by going back; another order of the same day must save a
    quarter of an hour to stand.
    """
    closer = _back(tables, plan, known)
    for number, sequence in list(closer.items()):
        usual = _usual_order(tables, number, sequence, known.get(number, ()))
        now_s, usual_s = route_cost_s(tables, number, sequence), route_cost_s(tables, number, usual)
        if now_s is not None and usual_s is not None and usual_s <= now_s + MOVE_MUST_SAVE_S:
            closer[number] = usual
    return closer


def _back(tables: Tables, plan: Assignment, known: Assignment) -> Assignment:
    """Return the plan with each moved visit put back, one by one, where that costs nothing."""
    best, cost = dict(plan), plan_cost_s(tables, plan)
    for job, number in sorted(placed_slots(known).items()):
        if cost is None or placed_slots(best).get(job) == number or tables.is_linked(job):
            continue
        attempt = dict(best)
        remove(attempt, job)
        if number not in open_slots(tables, attempt, job):
            continue
        place = best_insertion(tables, attempt, job, [number])
        if place is None:
            continue
        insert(attempt, job, place)
        again = plan_cost_s(tables, attempt)
        if again is not None and again <= cost:
            best, cost = attempt, again
    return best


def _usual_order(tables: Tables, number: int, sequence: Sequence_, known: Sequence_) -> Sequence_:
    """Return the visits of a day in the known order, new ones where they fit best among them."""
    here = set(sequence)
    day: Assignment = {number: tuple(job for job in known if job in here)}
    for job in sequence:
        if job in known:
            continue
        place = best_insertion(tables, day, job, [number])
        if place is None:
            return sequence
        insert(day, job, place)
    return day[number]
