"""Put one order into a plan where it costs least; the hand tool of mending, explaining and re-planning."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from scheduling.planning.prices import busy_s, job_cost_s, parts_left, placed_slots, route_cost_s
from scheduling.planning.tables import Assignment, Tables


@dataclass(frozen=True, order=True)
class Insertion:
    """A place for one order: the change of price against leaving it out. [s]"""

    delta_s: int
    slot: int
    position: int


def link_day_range(tables: Tables, where: dict[int, int], job: int) -> tuple[int, int]:
    """Return the first and last ordinal day on which the order keeps its links; empty when first > last."""
    first, last = 0, 10**7
    before = tables.predecessor[job]
    link = tables.jobs[job].after
    if before is not None and link is not None:
        if before not in where:
            return 1, 0
        day = tables.days[tables.slots[where[before]].day].toordinal()
        first, last = day + link.min_gap_days, day + link.max_gap_days
    for successor in tables.successors[job]:
        follow = tables.jobs[successor].after
        if successor in where and follow is not None:
            day = tables.days[tables.slots[where[successor]].day].toordinal()
            first, last = max(first, day - follow.max_gap_days), min(last, day - follow.min_gap_days)
    return first, last


def open_slots(tables: Tables, plan: Assignment, job: int, where: dict[int, int] | None = None) -> list[int]:
    """Return the slots where skills, parts left, pins, windows and links allow the order."""
    where = placed_slots(plan) if where is None else where
    first, last = link_day_range(tables, where, job)
    needs = tables.jobs[job].parts
    short: dict[int, bool] = {}
    found = []
    for number in tables.allowed_slots[job]:
        slot = tables.slots[number]
        if not first <= tables.days[slot.day].toordinal() <= last:
            continue
        if needs:
            if slot.technician not in short:
                short[slot.technician] = bool(parts_short(tables, plan, job, slot.technician))
            if short[slot.technician]:
                continue
        found.append(number)
    return found


def parts_short(tables: Tables, plan: Assignment, job: int, technician: int) -> list[str]:
    """Return the kinds of which the technician has fewer left, after the whole plan, than the order needs."""
    left = parts_left(tables, plan, technician)
    return [kind for kind, pieces in tables.jobs[job].parts.items() if left.get(kind, pieces) < pieces]


def best_insertion(
    tables: Tables, plan: Assignment, job: int, slots: Iterable[int] | None = None
) -> Insertion | None:
    """Return the cheapest feasible place for an order that is not in the plan, or None when nothing fits."""
    best: Insertion | None = None
    left_out = job_cost_s(tables, job, None)
    for guess, number, position in _guesses(tables, plan, job, slots):
        if best is not None and guess - left_out >= best.delta_s:
            break
        sequence = plan.get(number, ())
        before = route_cost_s(tables, number, sequence)
        after = route_cost_s(tables, number, (*sequence[:position], job, *sequence[position:]))
        if before is None or after is None:
            continue
        delta = after - before + job_cost_s(tables, job, number) - left_out
        if best is None or delta < best.delta_s:
            best = Insertion(delta, number, position)
    return best


def _guesses(
    tables: Tables, plan: Assignment, job: int, slots: Iterable[int] | None
) -> list[tuple[int, int, int]]:
    """Return (lower bound of the price added, slot, position), cheapest first; days without time left out."""
    settings, here, drive = tables.problem.settings, tables.job_row[job], tables.drive_s
    found = []
    for number in open_slots(tables, plan, job) if slots is None else slots:
        slot, sequence = tables.slots[number], plan.get(number, ())
        fixed = tables.late_cost_s[job][slot.day] - 1
        spare = slot.hard_end_s - slot.start_s - busy_s(tables, slot, sequence) - tables.service_s[job]
        stops = [slot.start_row, *(tables.job_row[one] for one in sequence), slot.end_row]
        for position in range(len(sequence) + 1):
            row, following = stops[position], stops[position + 1]
            same_site = (position > 0 and row == here) or (position < len(sequence) and following == here)
            skipped = drive[row][following] if sequence else 0
            detour = 0 if same_site else drive[row][here] + drive[here][following] - skipped
            visit_s = 0 if same_site else tables.visit_s
            if detour + visit_s <= spare:
                price = int(detour * settings.drive + visit_s)
                found.append((price + fixed, number, position))
    found.sort()
    return found


def insert(plan: Assignment, job: int, place: Insertion) -> None:
    """Put an order into a plan at a place found for it."""
    sequence = plan.get(place.slot, ())
    plan[place.slot] = (*sequence[: place.position], job, *sequence[place.position :])


def remove(plan: Assignment, job: int) -> None:
    """Take an order out of a plan; nothing happens when it is not in."""
    for number, sequence in plan.items():
        if job in sequence:
            plan[number] = tuple(one for one in sequence if one != job)
            return
