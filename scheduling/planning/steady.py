"""A new plan close to the one people know: moving a visit has a price, and what need not differ does not."""

from __future__ import annotations

from dataclasses import replace

from scheduling.planning.insertion import best_insertion, insert, open_slots, remove
from scheduling.planning.prices import placed_slots, plan_cost_s, route_cost_s
from scheduling.planning.proposal import Proposal
from scheduling.planning.tables import Assignment, Sequence_, Tables
from scheduling.planning.trouble import is_linked

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
        if cost is None or placed_slots(best).get(job) == number or is_linked(tables, job):
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
