"""Orders become visits before anything is routed: what is done in one visit of a site, in which order.

Each site's orders are cut into visits so that penalties of moving them to one day, and visits, cost least.
Unsafe water then gets its first possible hour.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from typing import Final

from scheduling.planning.problem import DAY_S, Job, Pin, PinLevel, Problem
from scheduling.planning.tables import Assignment, Tables, build_tables
from scheduling.planning.timing import NEVER, day_end, load_fits, timed

MOST_VISIT_S: Final = int(3.5 * 3600)
"""Longer visits are planned as several, which the routes still put beside each other: half a day, so that
lunch finds its hours before or after. Our choice. [s]"""
Group = tuple[int, ...]
"""Job numbers done in one visit, in the order of work."""
_NO_DAY: Final = 10**12


@dataclass(frozen=True)
class Visits:
    """Orders of a ``problem`` as visits: ``tables`` has a row for each of ``groups``, not of ``orders``."""

    problem: Problem
    orders: Tables
    tables: Tables
    groups: tuple[Group, ...]
    unsafe: frozenset[int] = frozenset()
    """Orders that were given their first possible hour."""
    is_whole: bool = True
    """Orders were put into visits and unsafe water first; False where they were left as they came."""

    def expanded(self, plan: Assignment) -> Assignment:
        """Return a plan of visits as a plan of orders."""
        return {
            number: tuple(job for visit in sequence for job in self.groups[visit])
            for number, sequence in plan.items()
        }


def as_visits(problem: Problem) -> Visits:
    """Return a problem's orders as the visits to plan."""
    tables = build_tables(problem)
    groups = _cut_into_visits(tables)
    pins, groups = _first_hours(tables, groups)
    if pins:
        held = {tables.jobs[job].id: pin for job, pin in pins.items()}
        jobs = tuple(replace(job, pin=held.get(job.id, job.pin)) for job in problem.jobs)
        tables = build_tables(replace(problem, jobs=jobs))
    visits, whole = _grouped(tables, groups)
    return Visits(problem, tables, visits, tuple(whole), frozenset(pins))


def order_by_order(problem: Problem) -> Visits:
    """Return a problem's orders each as a visit of its own, to compare."""
    tables = build_tables(problem)
    groups = tuple((job,) for job in range(len(tables.jobs)))
    return Visits(problem, tables, tables, groups, is_whole=False)


def trip_s(tables: Tables, job: int) -> int:
    """Return what a further visit of an order's site costs: the way there from its neighbours, and the visit.

    The way is the mean drive to the two nearest sites with orders. [s of drive]
    """
    here = tables.job_row[job]
    legs = sorted(tables.drive_s[here][row] for row in set(tables.job_row) if row != here)[:2]
    way_s = sum(legs) / len(legs) if legs else 0
    return round(way_s * tables.problem.settings.drive) + tables.visit_price_s


def penalty_s(tables: Tables, group: Group) -> int:
    """Return the least sum of the penalties of doing orders on one day; huge when none suits them all."""
    slots = set(tables.allowed_slots[group[0]]).intersection(*(tables.allowed_slots[job] for job in group))
    days = {tables.slots[number].day for number in slots}
    return min((sum(tables.late_cost_s[job][day] for job in group) for day in days), default=_NO_DAY)


def saved_s(tables: Tables, plan: Assignment) -> int:
    """
    Return what the visits of a plan spare against a trip for each of their orders: the way, the visit and
    the set-up, less the life thrown away and the waiting it costs. [s of drive]
    """
    total = 0
    for sequence in plan.values():
        for run in runs_of(tables, sequence):
            if len(run) > 1:
                set_up_s = sum(tables.service_s[job] for job in run) - tables.work_of_s(run)
                apart_s = sum(penalty_s(tables, (job,)) for job in run)
                together_s = penalty_s(tables, run)
                moved_s = together_s - apart_s if together_s < _NO_DAY else 0
                total += (len(run) - 1) * trip_s(tables, run[0]) + set_up_s - moved_s
    return total


def runs_of(tables: Tables, sequence: Group) -> list[Group]:
    """Return a day's orders visit by visit."""
    runs: list[list[int]] = []
    for job in sequence:
        if runs and tables.job_row[runs[-1][-1]] == tables.job_row[job]:
            runs[-1].append(job)
        else:
            runs.append([job])
    return [tuple(run) for run in runs]


def _cut_into_visits(tables: Tables) -> list[Group]:
    by_site: dict[int, list[int]] = defaultdict(list)
    groups: list[Group] = []
    for job in range(len(tables.jobs)):
        if tables.is_linked(job) or job in tables.owed_by or not tables.allowed_slots[job]:
            groups.append((job,))
        else:
            by_site[tables.job_row[job]].append(job)
    for jobs in by_site.values():
        groups += _best_cut(tables, jobs)
    return sorted(groups, key=min)


def _best_cut(tables: Tables, jobs: list[int]) -> list[Group]:
    """
    Return one site's orders as visits of least cost.

    Sorted by the last day on which each costs least, a best cut has visits of neighbours only, so the best
    ends of all beginnings give it: ``best[n] = min(best[m] + cost(m..n))``, n² steps. An order may also wait
    for a later plan, which costs a trip of its own then.

    Source
    ------
    Wildeman, Dekker and Smit 1997, EJOR 99(3), 530-551: grouping by penalty functions in a rolling horizon;
    their theorem that some best grouping has neighbours only. Their worked example was not at hand:
    test_grouping tries every cut instead.
    """
    if len(jobs) == 1:
        return [(jobs[0],)]
    jobs = sorted(jobs, key=lambda job: (_best_day(tables, job), tables.jobs[job].last_day, job))
    best: list[tuple[float, int]] = [(0.0, 0)]
    for end in range(1, len(jobs) + 1):
        best.append(
            min((best[start][0] + _visit_s(tables, tuple(jobs[start:end])), start) for start in range(end))
        )
    groups, end = [], len(jobs)
    while end:
        start = best[end][1]
        groups.append(in_order_of_work(tables, jobs[start:end]))
        end = start
    return groups


def _best_day(tables: Tables, job: int) -> int:
    days = {tables.slots[number].day for number in tables.allowed_slots[job]}
    least = min(tables.late_cost_s[job][day] for day in days)
    return max(day for day in days if tables.late_cost_s[job][day] == least)


def _visit_s(tables: Tables, group: Group) -> float:
    """Return the price of one visit for these orders; infinite when they can't be done in one."""
    penalty = penalty_s(tables, group)
    if penalty >= _NO_DAY or (len(group) > 1 and not _fits_one_visit(tables, group)):
        return float("inf") if len(group) > 1 else trip_s(tables, group[0])
    ordered = in_order_of_work(tables, group)
    trip = trip_s(tables, group[0]) + tables.work_of_s(ordered)
    later = sum(tables.unplaced_cost_s[job] for job in group)
    # Left for a later plan it costs its trip then; only what is not due yet is cheap to leave.
    return min(
        trip + penalty, max(later, trip) if not any(tables.due_inside[job] for job in group) else float("inf")
    )


def _fits_one_visit(tables: Tables, group: Group) -> bool:
    ordered = in_order_of_work(tables, group)
    if tables.work_of_s(ordered) > MOST_VISIT_S or len({_hours(tables.jobs[job]) for job in group}) > 1:
        return False
    if any(tables.jobs[job].access != tables.jobs[group[0]].access for job in group):
        return False  # Hours are promised for one and not for another.
    slots = set(tables.allowed_slots[group[0]]).intersection(*(tables.allowed_slots[job] for job in group))
    return any(
        day_end(tables, tables.slots[number], ordered) < NEVER
        and load_fits(tables, tables.slots[number], ordered)
        for number in slots
    )


def _hours(job: Job) -> tuple[int, int]:
    return (job.pin.earliest_s, job.pin.latest_s) if job.pin else (0, DAY_S)


def in_order_of_work(tables: Tables, jobs: list[int] | Group) -> Group:
    """Return a visit's orders as they are done: unsafe water first, unit by unit, pre-filters first."""
    units = {job: tables.unit_of[job] or f"order {job}" for job in jobs}
    first_of: dict[str, tuple[bool, int]] = {}
    for job in sorted(jobs):
        unsafe = any(tables.jobs[one].is_unsafe for one in jobs if units[one] == units[job])
        first_of.setdefault(units[job], (not unsafe, job))
    return tuple(
        sorted(
            jobs,
            key=lambda job: (
                first_of[units[job]],
                not tables.jobs[job].is_unsafe,
                tables.jobs[job].step,
                job,
            ),
        )
    )


def ordered_visits(tables: Tables, plan: Assignment) -> Assignment:
    """Return the plan with each visit's orders in the order of work, where the day still works so."""
    answer = dict(plan)
    for number, sequence in plan.items():
        tidy = tuple(job for run in runs_of(tables, sequence) for job in in_order_of_work(tables, run))
        if tidy != sequence and day_end(tables, tables.slots[number], tidy) < NEVER:
            answer[number] = tidy
    return answer


def _first_hours(tables: Tables, groups: list[Group]) -> tuple[dict[int, Pin], list[Group]]:
    """
    Give unsafe water its first possible hour, the worst first: each to whoever can be there soonest, after
    what has its hours promised and what was given its hour before. Returns pins of the orders, and groups in
    which nothing keeps such an order from its hour.
    """
    unsafe = [
        job
        for job, order in enumerate(tables.jobs)
        if order.is_unsafe and order.pin is None and not tables.is_linked(job) and tables.allowed_slots[job]
    ]
    if not unsafe:
        return {}, groups
    group_of = {job: group for group in groups for job in group}
    routes = _with_promised_hours(tables)
    pins: dict[int, Pin] = {}
    behind: dict[int, int] = {}
    for job in sorted(
        unsafe, key=lambda job: (tables.jobs[job].first_day, -tables.jobs[job].risk_weight, job)
    ):
        if job in pins:
            continue
        found = _soonest(tables, routes, job, behind)
        if found is None:
            continue
        number, at, start_s = found
        slot, route = tables.slots[number], routes.get(number, ())
        group = group_of[job]
        mates = in_order_of_work(tables, group)
        mates = (job, *(one for one in mates if one != job))
        whole = (*route[:at], *mates, *route[at:])
        alone = any(one in pins for one in group) or any(
            number not in tables.allowed_slots[one] for one in mates
        )
        if alone or day_end(tables, slot, whole) >= NEVER or not load_fits(tables, slot, whole):
            group_of |= {one: tuple(other for other in group if other != job) for one in group}
            mates, whole = (job,), (*route[:at], job, *route[at:])
        group_of |= dict.fromkeys(mates, mates)
        routes[number], behind[number] = whole, at + len(mates)
        pins[job] = Pin(
            PinLevel.TECHNICIAN_DAY, tables.days[slot.day], tables.technicians[slot.technician].id, 0, start_s
        )
    return pins, sorted(set(group_of.values()), key=min)


def _with_promised_hours(tables: Tables) -> Assignment:
    """Return the routes of what has its hours promised to a technician."""
    routes: Assignment = {}
    held = [job for job, order in enumerate(tables.jobs) if order.pin and _hours(order) != (0, DAY_S)]
    for job in sorted(held, key=lambda job: (_hours(tables.jobs[job]), job)):
        if len(tables.allowed_slots[job]) == 1:
            number = tables.allowed_slots[job][0]
            longer = (*routes.get(number, ()), job)
            if day_end(tables, tables.slots[number], longer) < NEVER:
                routes[number] = longer
    return routes


def _soonest(
    tables: Tables, routes: Assignment, job: int, behind: dict[int, int]
) -> tuple[int, int, int] | None:
    """Return (slot, position, start of work) of the first possible hour, behind what has its hour. [s]"""
    best: tuple[int, int, int, int] | None = None
    for number in tables.allowed_slots[job]:
        slot, route = tables.slots[number], routes.get(number, ())
        if best is not None and slot.day > best[0]:
            continue
        for at in range(behind.get(number, 0), len(route) + 1):
            timing = timed(tables, slot, (*route[:at], job, *route[at:]))
            if timing is not None:
                best = min(best or (10**9, 0, 0, 0), (slot.day, timing.stops[at].start_s, number, at))
    return (best[2], best[3], best[1]) if best else None


def _grouped(tables: Tables, groups: list[Group]) -> tuple[Tables, list[Group]]:
    """
    Return tables in which each visit is one order whose price of a day is the sum of its orders', and the
    visits: one that no stretch of anybody's day holds as a whole is cut into its orders.
    """
    jobs = tuple(_joined(tables, group) for group in groups)
    settings = replace(tables.problem.settings, lunch_inside_work_from_s=10 * DAY_S)
    lone = [len(group) == 1 for group in groups]
    if all(lone):
        return tables, groups
    visits = build_tables(replace(tables.problem, jobs=jobs, settings=settings))
    if visits.unplannable:
        cut = [
            part
            for group, job in zip(groups, jobs, strict=True)
            for part in ([(one,) for one in group] if job.id in visits.unplannable else [group])
        ]
        return _grouped(tables, cut)
    days = range(len(tables.days))
    summed = replace(
        visits,
        late_cost_s=[
            [sum(tables.late_cost_s[job][day] for job in group) for day in days] for group in groups
        ],
        late_days=[[max(tables.late_days[job][day] for job in group) for day in days] for group in groups],
        unplaced_cost_s=[sum(tables.unplaced_cost_s[job] for job in group) for group in groups],
        pin_loss_s=[sum(tables.pin_loss_s[job] for job in group) for group in groups],
        due_inside=[any(tables.due_inside[job] for job in group) for group in groups],
    )
    return summed, groups


def _joined(tables: Tables, group: Group) -> Job:
    """Return one order that stands for a visit."""
    orders = [tables.jobs[job] for job in group]
    first = orders[0]
    if len(orders) == 1:
        return first
    parts: dict[str, int] = defaultdict(int)
    for order in orders:
        for kind, pieces in order.parts.items():
            parts[kind] += pieces
    pins = [order.pin for order in orders if order.pin is not None]
    begins: date = max(order.first_day for order in orders)
    return replace(
        first,
        service_s=tables.work_of_s(group),
        set_up_s=0,
        unit_id=None,
        first_day=begins,
        last_day=max(begins, min(order.last_day for order in orders)),
        risk_weight=max(order.risk_weight for order in orders),
        skills=frozenset().union(*(order.skills for order in orders)),
        parts=dict(parts),
        preferred_technician_id=next(
            (one.preferred_technician_id for one in orders if one.preferred_technician_id), None
        ),
        pin=max(pins, key=lambda pin: (pin.level, -pin.latest_s), default=None),
        van_space=sum(order.van_space for order in orders),
        is_unsafe=any(order.is_unsafe for order in orders),
    )


def second_visits(visited: list[tuple[str, date]], within_days: int = 14) -> int:
    """Return how many visits come to a site again within days of the one before. Given: (site, day)."""
    days: dict[str, list[date]] = defaultdict(list)
    for site, day in visited:
        days[site].append(day)
    return sum(
        (later - before).days <= within_days
        for found in days.values()
        for before, later in pairwise(sorted(found))
    )
