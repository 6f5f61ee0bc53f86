"""Put one order into a plan where it costs least; the hand tool of mending, explaining and re-planning.

Bring any assignment back inside the rules: lunch, parts, links; then fill what fits.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from scheduling.planning.tables import Assignment, Tables
from scheduling.planning.timing import busy_s, job_cost_s, parts_left, placed_slots, route_cost_s


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
        spare = slot.hard_end_s - slot.start_s - busy_s(tables, slot, sequence)
        same_unit = (one for one in sequence if tables.unit_of[one] == tables.unit_of[job])
        spare -= tables.service_s[job] - tables.spared_s[job]
        spare += max((tables.spared_s[one] for one in same_unit), default=0)
        stops = [slot.start_row, *(tables.job_row[one] for one in sequence), slot.end_row]
        for position in range(len(sequence) + 1):
            row, following = stops[position], stops[position + 1]
            same_site = (position > 0 and row == here) or (position < len(sequence) and following == here)
            skipped = drive[row][following] if sequence else 0
            detour = 0 if same_site else drive[row][here] + drive[here][following] - skipped
            visit_s = 0 if same_site else tables.visit_s
            if detour + visit_s <= spare:
                price = int(detour * settings.drive + (0 if same_site else tables.visit_price_s))
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


def repair(tables: Tables, plan: Assignment, *, fill: bool = False) -> Assignment:
    """
    Return a plan that keeps every rule, close to the one given.

    Orders taken out are put back where they fit best. With ``fill`` every order left out is tried as well,
    dearest first, and kept when it lowers the price.
    """
    repaired = {number: sequence for number, sequence in plan.items() if sequence}
    out = [*_thin_days(tables, repaired), *_thin_parts(tables, repaired), *_break_links(tables, repaired)]
    placed = placed_slots(repaired)
    candidates = (
        [job for job in range(len(tables.jobs)) if job not in placed] if fill else list(dict.fromkeys(out))
    )
    fill_in(tables, repaired, candidates)
    _break_links(tables, repaired)
    return {number: sequence for number, sequence in repaired.items() if sequence}


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
        if (tables.due_inside[job] or tables.pin_loss_s[job]) and not tables.is_linked(job)
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
            if tables.due_inside[victim] or tables.pin_loss_s[victim] or tables.is_linked(victim):
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
            dropped = next(
                (
                    job
                    for job in order
                    if route_cost_s(tables, number, tuple(one for one in sequence if one != job)) is not None
                ),
                order[0],
            )
            out.append(dropped)
            sequence = tuple(one for one in sequence if one != dropped)
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
