"""Bring any assignment back inside the rules: lunch, parts, links; then fill what fits."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from scheduling.planning.insertion import (
    Insertion,
    best_insertion,
    insert,
    link_day_range,
    open_slots,
    remove,
)
from scheduling.planning.prices import job_cost_s, parts_left, placed_slots, route_cost_s
from scheduling.planning.tables import Assignment, Tables


def mend(tables: Tables, plan: Assignment, *, fill: bool = False) -> Assignment:
    """
    Return a plan that keeps every rule, close to the one given.

    Orders taken out are put back where they fit best. With ``fill`` every order left out is tried as well,
    dearest first, and kept when it lowers the price.
    """
    mended = {number: sequence for number, sequence in plan.items() if sequence}
    out = [*_thin_days(tables, mended), *_thin_parts(tables, mended), *_break_links(tables, mended)]
    placed = placed_slots(mended)
    candidates = (
        [job for job in range(len(tables.jobs)) if job not in placed] if fill else list(dict.fromkeys(out))
    )
    fill_in(tables, mended, candidates)
    _break_links(tables, mended)
    return {number: sequence for number, sequence in mended.items() if sequence}


def fill_in(
    tables: Tables,
    plan: Assignment,
    candidates: Iterable[int],
    should_stop: Callable[[], bool] | None = None,
) -> None:
    """Insert the candidates where that lowers the price: first visits before second ones, dearest first."""
    waiting = [job for job in candidates if tables.predecessor[job] is None]
    waiting.sort(key=lambda job: (-_urgency(tables, job), job))
    for job in waiting:
        if should_stop is not None and should_stop():
            return
        insert_chain(tables, plan, job)
    for job in candidates:
        if tables.predecessor[job] is not None and job not in placed_slots(plan):
            place = best_insertion(tables, plan, job)
            if place is not None and place.delta_s < 0:
                insert(plan, job, place)


def insert_chain(tables: Tables, plan: Assignment, job: int) -> bool:
    """Insert an order and the visits that must follow it, or nothing. True when it went in."""
    followers = [one for one in tables.successors[job] if one not in placed_slots(plan)]
    if not followers:
        place = best_insertion(tables, plan, job)
        if place is None or place.delta_s >= 0:
            return False
        insert(plan, job, place)
        return True
    by_day: dict[int, list[int]] = {}
    for number in open_slots(tables, plan, job):
        by_day.setdefault(tables.slots[number].day, []).append(number)
    best: tuple[int, Assignment] | None = None
    for slots in by_day.values():
        place = best_insertion(tables, plan, job, slots)
        if place is None:
            continue
        attempt = dict(plan)
        insert(attempt, job, place)
        total = place.delta_s
        for follower in followers:
            next_place = best_insertion(tables, attempt, follower)
            if next_place is not None:
                insert(attempt, follower, next_place)
                total += next_place.delta_s
        if not owed_followers(tables, attempt, job) and total < 0 and (best is None or total < best[0]):
            best = (total, attempt)
    if best is None:
        return False
    plan.clear()
    plan.update(best[1])
    return True


def owed_followers(tables: Tables, plan: Assignment, job: int) -> list[int]:
    """Return second visits that must lie inside the plan's days but are not placed."""
    where = placed_slots(plan)
    if job not in where:
        return []
    day = tables.days[tables.slots[where[job]].day].toordinal()
    owed = []
    for follower in tables.successors[job]:
        link = tables.jobs[follower].after
        if follower in where or link is None:
            continue
        if day + link.max_gap_days <= tables.days[-1].toordinal():
            owed.append(follower)
    return owed


def make_room(tables: Tables, plan: Assignment, should_stop: Callable[[], bool] | None = None) -> None:
    """Place orders due inside the days by bumping one that can wait, where that lowers the price."""
    waiting = [
        job
        for job in range(len(tables.jobs))
        if (tables.due_inside[job] or tables.pin_loss_s[job]) and not _linked(tables, job)
    ]
    for job in sorted(waiting, key=lambda one: (-_urgency(tables, one), one)):
        if should_stop is not None and should_stop():
            return
        if job not in placed_slots(plan):
            _bump_for(tables, plan, job)


def _bump_for(tables: Tables, plan: Assignment, job: int) -> None:
    best: tuple[int, int, int, Insertion] | None = None
    for number in open_slots(tables, plan, job):
        sequence = plan.get(number, ())
        before = route_cost_s(tables, number, sequence) or 0
        for victim in sequence:
            if tables.due_inside[victim] or tables.pin_loss_s[victim] or _linked(tables, victim):
                continue
            rest = tuple(one for one in sequence if one != victim)
            after = route_cost_s(tables, number, rest)
            place = best_insertion(tables, {**plan, number: rest}, job, [number])
            if after is None or place is None:
                continue
            lost = job_cost_s(tables, victim, None) - job_cost_s(tables, victim, number)
            total = after - before + lost + place.delta_s
            if total < 0 and (best is None or total < best[0]):
                best = (total, number, victim, place)
    if best is not None:
        _, _, victim, place = best
        remove(plan, victim)
        insert(plan, job, place)
        fill_in(tables, plan, [victim])


def _linked(tables: Tables, job: int) -> bool:
    return tables.predecessor[job] is not None or bool(tables.successors[job])


def _urgency(tables: Tables, job: int) -> int:
    pinned = 10**9 if tables.jobs[job].pin is not None else 0
    return pinned + tables.unplaced_cost_s[job]


def _cheapest_to_drop(tables: Tables, sequence: tuple[int, ...]) -> list[int]:
    return sorted(sequence, key=lambda job: (_urgency(tables, job), job))


def _thin_days(tables: Tables, plan: Assignment) -> list[int]:
    """Take orders out of days that don't work (lunch, hours, load) until they do."""
    out: list[int] = []
    for number, sequence in list(plan.items()):
        while sequence and route_cost_s(tables, number, sequence) is None:
            order = _cheapest_to_drop(tables, sequence)
            rescue = next(
                (
                    job
                    for job in order
                    if route_cost_s(tables, number, tuple(one for one in sequence if one != job)) is not None
                ),
                order[0],
            )
            out.append(rescue)
            sequence = tuple(one for one in sequence if one != rescue)
        plan[number] = sequence
    return out


def _thin_parts(tables: Tables, plan: Assignment) -> list[int]:
    """Take orders off technicians whose limited parts are overdrawn over the whole plan."""
    out: list[int] = []
    for technician, limited in enumerate(tables.limited_parts):
        if not limited:
            continue
        while overdrawn := [kind for kind, left in parts_left(tables, plan, technician).items() if left < 0]:
            users = [
                job
                for number, sequence in plan.items()
                if tables.slots[number].technician == technician
                for job in sequence
                if any(kind in tables.jobs[job].parts for kind in overdrawn)
            ]
            job = _cheapest_to_drop(tables, tuple(users))[0]
            remove(plan, job)
            out.append(job)
    return out


def _break_links(tables: Tables, plan: Assignment) -> list[int]:
    """Take out second visits on a wrong day, and first visits whose second one can't be placed."""
    out: list[int] = []
    for job, first in enumerate(tables.predecessor):
        where = placed_slots(plan) if first is not None else {}
        if job in where and first is not None:
            others = {one: slot for one, slot in where.items() if one != job}
            start, last = link_day_range(tables, others, job)
            if not start <= tables.days[tables.slots[where[job]].day].toordinal() <= last:
                remove(plan, job)
                out.append(job)
    changed = True
    while changed:
        changed = False
        for first in {one for one in tables.predecessor if one is not None}:
            for follower in owed_followers(tables, plan, first):
                place = best_insertion(tables, plan, follower)
                changed = True
                if place is not None:
                    insert(plan, follower, place)
                    continue
                remove(plan, first)
                out.append(first)
                for one in tables.successors[first]:
                    if one in placed_slots(plan):
                        remove(plan, one)
                        out.append(one)
                break
    return out
