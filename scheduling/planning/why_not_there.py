"""Why an order can't stand on one technician-day at all, by that day's own data, before any other order."""

from __future__ import annotations

from datetime import date

from scheduling.planning.insertion import link_day_range, parts_short
from scheduling.planning.prices import placed_slots, route_cost_s
from scheduling.planning.problem import Job, Technician
from scheduling.planning.tables import Assignment, Tables, missing_parts

Words = tuple[str, str]
"""What stands in the way, and the remedy; both empty when nothing does."""


def why_not_there(tables: Tables, plan: Assignment, job: int, technician_id: str, day: date) -> Words:
    """Return why the order can't stand with this person on this day, other orders there set aside."""
    order = tables.jobs[job]
    person = next((one for one in tables.technicians if one.id == technician_id), None)
    if person is None:
        return f"{technician_id} is nobody of this plan.", "Choose somebody else."
    if day not in tables.days:
        return f"{day:%d %b} is not one of this plan's days.", "Choose a day of this plan."
    slot = next(
        (
            one.number
            for one in tables.slots
            if tables.technicians[one.technician].id == technician_id and tables.days[one.day] == day
        ),
        None,
    )
    if slot is None:
        return f"{person.name} has no shift on {day:%d %b}.", "Choose another day or person, or plan a shift."
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
        return f"{person.name} lacks the skill {', '.join(sorted(lacking))}.", "Choose somebody who has it."
    if day < job.first_day:
        return (
            f"its window opens on {job.first_day:%d %b}, after {day:%d %b}.",
            f"Choose {job.first_day:%d %b} or a later day.",
        )
    if not hours:
        return f"the site is closed on {day:%A}s.", "Choose a day on which it may be entered."
    if all(shuts - opens < job.service_s for opens, shuts in hours):
        return (
            f"the site's hours on {day:%A}s are shorter than the {job.service_s // 60} min of work.",
            "Choose a day with longer hours.",
        )
    if missing := missing_parts(person, job):
        return (
            f"neither {person.name}'s van nor the shelf holds {', '.join(sorted(missing))}.",
            "Have the part brought first, or choose somebody who has it.",
        )
    return None


def _by_links(tables: Tables, plan: Assignment, job: int, day: date) -> Words | None:
    where = placed_slots(plan)
    before = tables.predecessor[job]
    if before is not None and before not in where:
        return f"the visit before it, order {tables.jobs[before].id}, is not placed.", "Place that one first."
    first, last = link_day_range(tables, where, job)
    if first <= day.toordinal() <= last:
        return None
    others = [one for one in (before, *tables.successors[job]) if one is not None and one in where]
    names = ", ".join(tables.jobs[one].id for one in others)
    if first > last:
        return f"no day keeps the gaps to order {names}.", "Move that one first."
    if first == last:
        days = f"on {date.fromordinal(first):%d %b}"
    else:
        days = f"from {date.fromordinal(max(1, first)):%d %b} to {date.fromordinal(last):%d %b}"
    return f"it belongs to order {names} and must be {days}.", "Choose such a day, or move that one first."


def _by_parts(tables: Tables, plan: Assignment, job: int, person: Technician) -> Words | None:
    short = parts_short(tables, plan, job, tables.technicians.index(person))
    if not short:
        return None
    return (
        f"{person.name}'s {', '.join(sorted(short))} go to other orders of this plan.",
        "Have more brought first, or choose somebody who has it.",
    )


def _alone(tables: Tables, job: int, slot: int, person: Technician, day: date) -> Words | None:
    if route_cost_s(tables, slot, (job,)) is not None:
        return None
    return (
        f"the drive, the work and the drive back don't fit {person.name}'s shift and the site's hours on "
        f"{day:%d %b}, even were the day empty.",
        "Choose another day or person, a longer shift or other access hours.",
    )
