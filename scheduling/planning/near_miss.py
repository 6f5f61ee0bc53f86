"""By how little an order misses a day, and which limit it is."""

from __future__ import annotations

from dataclasses import dataclass, replace

from scheduling.planning.insertion import best_insertion, insert, open_slots
from scheduling.planning.mend import owed_followers
from scheduling.planning.prices import load_fits
from scheduling.planning.proposal import Limit
from scheduling.planning.tables import Assignment, Sequence_, Slot, Tables, lunch_window
from scheduling.planning.timing import NEVER, day_end

FAR_S = 4 * 3600
"""Misses above this are no help to anybody."""


@dataclass(frozen=True)
class Miss:
    """Give this slot's shift, or this site, ``short_s`` more and the order fits. Whole minutes. [s]"""

    short_s: int
    slot: int
    limit: Limit


def nearest_miss(tables: Tables, plan: Assignment, job: int) -> Miss | None:
    """Return the smallest single easing that makes the order fit somewhere, tried and confirmed; or None."""
    misses = []
    for number in open_slots(tables, plan, job):
        slot, sequence = tables.slots[number], plan.get(number, ())
        for position in range(len(sequence) + 1):
            attempt = (*sequence[:position], job, *sequence[position:])
            if not load_fits(tables, slot, attempt):
                break
            end = day_end(tables, replace(slot, hard_end_s=NEVER - 1), attempt)
            if end < NEVER:
                misses.append((end - slot.hard_end_s, number, attempt))
    misses.sort(key=lambda one: (one[0], one[1]))
    best: Miss | None = None
    for short_s, number, attempt in misses[:12]:
        minutes = _longer_shift(tables, tables.slots[number], attempt, short_s)
        if minutes is None or (best is not None and minutes * 60 >= best.short_s):
            continue
        if _second_visits_fit(_with_shift(tables, number, minutes), plan, job, number, attempt):
            best = Miss(minutes * 60, number, Limit.SHIFT)
    shut = _site_hours(tables, plan, job, best.short_s if best else FAR_S)
    return shut or best


def _second_visits_fit(eased: Tables, plan: Assignment, job: int, number: int, attempt: Sequence_) -> bool:
    """Whether the visits that must follow the order inside the plan's days have room too, once it is in."""
    if not eased.successors[job]:
        return True
    with_it = {**plan, number: attempt}
    for follower in owed_followers(eased, with_it, job):
        place = best_insertion(eased, with_it, follower)
        if place is None:
            return False
        insert(with_it, follower, place)
    return True


def _with_shift(tables: Tables, number: int, minutes: int) -> Tables:
    slots = list(tables.slots)
    slots[number] = stretched(tables, slots[number], minutes * 60)
    return replace(tables, slots=tuple(slots), route_memo={}, busy_memo={})


def _longer_shift(tables: Tables, slot: Slot, attempt: Sequence_, short_s: int) -> int | None:
    """Return the whole minutes of shift that make the day work, confirmed with the lunch it would have."""
    least = -(-short_s // 60)
    for minutes in range(least, least + 46):
        if minutes * 60 <= FAR_S and day_end(tables, stretched(tables, slot, minutes * 60), attempt) < NEVER:
            return minutes
    return None


def stretched(tables: Tables, slot: Slot, by_s: int) -> Slot:
    """Return the slot as it would be with a longer shift."""
    end_s = slot.end_s + by_s
    earliest, latest = lunch_window(tables.problem.settings, slot.start_s, end_s, slot.lunch_s)
    return replace(
        slot, end_s=end_s, hard_end_s=slot.hard_end_s + by_s, lunch_earliest_s=earliest, lunch_latest_s=latest
    )


def _site_hours(tables: Tables, plan: Assignment, job: int, better_than_s: int) -> Miss | None:
    """Return the least later closing, below the bound, that makes the order fit; or None."""
    best: Miss | None = None
    for number in open_slots(tables, plan, job):
        slot, sequence = tables.slots[number], plan.get(number, ())
        for position in range(len(sequence) + 1):
            attempt = (*sequence[:position], job, *sequence[position:])
            if not load_fits(tables, slot, attempt):
                break
            high = (best.short_s if best else better_than_s) // 60 - 1
            if high < 1 or not _fits_later(tables, slot, attempt, job, high):
                continue
            low = 0
            while high - low > 1:
                middle = (low + high) // 2
                if _fits_later(tables, slot, attempt, job, middle):
                    high = middle
                else:
                    low = middle
            if _second_visits_fit(_with_hours(tables, slot, job, high), plan, job, number, attempt):
                best = Miss(high * 60, number, Limit.SITE_HOURS)
    return best


def _fits_later(tables: Tables, slot: Slot, attempt: Sequence_, job: int, minutes: int) -> bool:
    if not tables.windows[job][slot.day]:
        return False
    return day_end(_with_hours(tables, slot, job, minutes), slot, attempt) < NEVER


def _with_hours(tables: Tables, slot: Slot, job: int, minutes: int) -> Tables:
    """Return tables in which the order's site shuts so much later that day."""
    day = tables.windows[job][slot.day]
    opens, latest = day[-1]
    later = list(tables.windows[job])
    later[slot.day] = (*day[:-1], (opens, latest + minutes * 60))
    windows = list(tables.windows)
    windows[job] = later
    return replace(tables, windows=windows, route_memo={}, busy_memo={})
