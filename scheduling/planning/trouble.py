"""Late or missing work that need not be: which it is, its better days, and what else those days must do."""

from __future__ import annotations

from scheduling.planning.prices import job_cost_s, placed_slots
from scheduling.planning.tables import Assignment, Tables


def in_trouble(tables: Tables, plan: Assignment) -> list[int]:
    """Return due orders late or left out for which some technician-day would be better, dearest first."""
    where = placed_slots(plan)
    found = []
    for job in range(len(tables.jobs)):
        if not tables.due_inside[job] or is_linked(tables, job):
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
    if tables.pin_loss_s[job] or is_linked(tables, job):
        return True
    cost = tables.late_cost_s[job]
    days = {tables.slots[number].day for number in tables.allowed_slots[job]} - {day}
    return tables.due_inside[job] and all(cost[other] > cost[day] for other in days)


def is_linked(tables: Tables, job: int) -> bool:
    """Say whether the order is one of two visits that belong together."""
    return tables.predecessor[job] is not None or bool(tables.successors[job])
