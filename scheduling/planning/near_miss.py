"""By how little an order misses a day, and which limit it is.

Why an order can't stand on one technician-day at all, by that day's own data, before any other order.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

from scheduling.planning.problem import Job, Technician
from scheduling.planning.proposal import Limit
from scheduling.planning.repair import (
    best_insertion,
    insert,
    link_day_range,
    open_slots,
    owed_followers,
    parts_short,
)
from scheduling.planning.tables import Assignment, Sequence_, Slot, Tables, lunch_window, missing_parts
from scheduling.planning.timing import NEVER, day_end, load_fits, placed_slots, route_cost_s
from shared.messages import message

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


Words = tuple[str, str]
"""What stands in the way, and the remedy; both empty when nothing does."""


def why_not_there(tables: Tables, plan: Assignment, job: int, technician_id: str, day: date) -> Words:
    """Return why the order can't stand with this person on this day, other orders there set aside."""
    order = tables.jobs[job]
    person = next((one for one in tables.technicians if one.id == technician_id), None)
    if person is None:
        return message("{code} is nobody of this plan.", code=technician_id), message("Choose somebody else.")
    if day not in tables.days:
        return message("{day:%d %b} is not one of this plan's days.", day=day), message(
            "Choose a day of this plan."
        )
    slot = next(
        (
            one.number
            for one in tables.slots
            if tables.technicians[one.technician].id == technician_id and tables.days[one.day] == day
        ),
        None,
    )
    if slot is None:
        return message("{name} has no shift on {day:%d %b}.", name=person.name, day=day), message(
            "Choose another day or person, or plan a shift."
        )
    return (
        by_its_own_data(order, person, day)
        or _by_links(tables, plan, job, day)
        or _by_parts(tables, plan, job, person)
        or _alone(tables, job, slot, person, day)
        or ("", "")
    )


def by_its_own_data(job: Job, person: Technician, day: date) -> Words | None:
    """Return why skill, window, access hours or parts keep an order from a person's day; None when not."""
    hours = job.access.on(day)
    if lacking := job.skills - person.skills:
        return message(
            "{name} lacks the skill {list}.", name=person.name, list=", ".join(sorted(lacking))
        ), message("Choose somebody who has it.")
    if day < job.first_day:
        return (
            message(
                "its window opens on {first_day:%d %b}, after {day:%d %b}.", first_day=job.first_day, day=day
            ),
            message("Choose {first_day:%d %b} or a later day.", first_day=job.first_day),
        )
    if not hours:
        return message("the site is closed on {day:%A}s.", day=day), message(
            "Choose a day on which it may be entered."
        )
    if all(shuts - opens < job.service_s for opens, shuts in hours):
        return (
            message(
                "the site's hours on {day:%A}s are shorter than the {service_s} min of work.",
                day=day,
                service_s=job.service_s // 60,
            ),
            message("Choose a day with longer hours."),
        )
    if missing := missing_parts(person, job):
        return (
            message(
                "neither {name}'s van nor the shelf holds {list}.",
                name=person.name,
                list=", ".join(sorted(missing)),
            ),
            message("Have the part brought first, or choose somebody who has it."),
        )
    return None


def _by_links(tables: Tables, plan: Assignment, job: int, day: date) -> Words | None:
    where = placed_slots(plan)
    before = tables.predecessor[job]
    if before is not None and before not in where:
        return message("the visit before it, order {id}, is not placed.", id=tables.jobs[before].id), message(
            "Place that one first."
        )
    first, last = link_day_range(tables, where, job)
    if first <= day.toordinal() <= last:
        return None
    others = [one for one in (before, *tables.successors[job]) if one is not None and one in where]
    names = ", ".join(tables.jobs[one].id for one in others)
    if first > last:
        return message("no day keeps the gaps to order {names}.", names=names), message(
            "Move that one first."
        )
    if first == last:
        days = message("on {first:%d %b}", first=date.fromordinal(first))
    else:
        days = message(
            "from {value:%d %b} to {last:%d %b}",
            value=date.fromordinal(max(1, first)),
            last=date.fromordinal(last),
        )
    return message("it belongs to order {names} and must be {days}.", names=names, days=days), message(
        "Choose such a day, or move that one first."
    )


def _by_parts(tables: Tables, plan: Assignment, job: int, person: Technician) -> Words | None:
    short = parts_short(tables, plan, job, tables.technicians.index(person))
    if not short:
        return None
    return (
        message(
            "{name}'s {list} go to other orders of this plan.",
            name=person.name,
            list=", ".join(sorted(short)),
        ),
        message("Have more brought first, or choose somebody who has it."),
    )


def _alone(tables: Tables, job: int, slot: int, person: Technician, day: date) -> Words | None:
    if route_cost_s(tables, slot, (job,)) is not None:
        return None
    return (
        message(
            "the drive, the work and the drive back don't fit {name}'s shift and "
            "the site's hours on {day:%d %b}, even were the day empty.",
            name=person.name,
            day=day,
        ),
        message("Choose another day or person, a longer shift or other access hours."),
    )
