"""Put times on an order of visits: earliest arrival, access hours, lunch. One pass, exact.

The price list applied to routes and plans, in whole seconds of driving. The judge of every step.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

from scheduling.planning.problem import NO_LUNCH_UP_TO_S
from scheduling.planning.proposal import Route, Stop
from scheduling.planning.tables import Assignment, Sequence_, Slot, Tables

NEVER = 10**9


def first_start(windows: tuple[tuple[int, int], ...], ready_s: int) -> int:
    """Return the first moment at or after ``ready_s`` when work may start, or NEVER."""
    for earliest, latest in windows:
        if ready_s <= latest:
            return max(ready_s, earliest)
    return NEVER


def ready_after(off: tuple[tuple[int, int], ...], from_s: int, length_s: int) -> int:
    """Return when a stretch begun no earlier than ``from_s`` may begin so as to touch no time off. [s]

    Earlier in is never later out, so that the earliest of each clock stays enough.
    """
    for start, end in off:
        if from_s < end and from_s + length_s > start:
            from_s = end
    return from_s


def work_start(
    windows: tuple[tuple[int, int], ...], off: tuple[tuple[int, int], ...], ready_s: int, service_s: int
) -> int:
    """Return the first moment when work of a length may start, at a time of both; or NEVER."""
    start = first_start(windows, ready_s)
    while off and start < NEVER and (free := ready_after(off, start, service_s)) != start:
        start = first_start(windows, free)
    return start


def day_end(tables: Tables, slot: Slot, sequence: Sequence_) -> int:
    """
    Return when the technician is back, lunch taken, at the earliest; NEVER when the day doesn't work.

    Two clocks run side by side: lunch not yet taken, and lunch taken. Earlier is never worse, so keeping the
    earliest of each is exact. Lunch may be taken before a drive, on arrival, or after the return; who is back
    before its hours begin needs none.
    """
    hungry, fed = slot.start_s, NEVER
    lunch_s, earliest, latest = slot.lunch_s, slot.lunch_earliest_s, slot.lunch_latest_s
    row, before = slot.start_row, None
    for job in sequence:
        here = tables.job_row[job]
        if lunch_s and hungry <= latest:
            fed = min(fed, max(hungry, earliest) + lunch_s)
        if before is None or here != row:
            drive = tables.drive_s[row][here]
            hungry = ready_after(slot.off, hungry, drive) + drive
            fed = ready_after(slot.off, fed, drive) + drive
            if lunch_s and hungry <= latest:
                fed = min(fed, max(hungry, earliest) + lunch_s)
            hungry = ready_after(slot.off, hungry, tables.visit_s) + tables.visit_s
            fed = ready_after(slot.off, fed, tables.visit_s) + tables.visit_s
        windows, service = tables.windows[job][slot.day], tables.work_s(before, job)
        begin = work_start(windows, slot.off, hungry, service)
        hungry, fed = begin + service, work_start(windows, slot.off, fed, service) + service
        if lunch_s and lunch_inside(tables, slot, job, begin, service) is not None:
            fed = min(fed, hungry + lunch_s)
        if hungry >= NEVER and fed >= NEVER:
            return NEVER
        row, before = here, job
    back = tables.drive_s[row][slot.end_row] if sequence else 0
    if not lunch_s:
        end = ready_after(slot.off, hungry, back) + back
    else:
        if hungry <= latest:
            fed = min(fed, max(hungry, earliest) + lunch_s)
        end = ready_after(slot.off, fed, back) + back
        home = ready_after(slot.off, hungry, back) + back
        if _is_back_before_lunch(slot, home):
            end = home
        elif home <= latest:
            end = min(end, max(home, earliest) + lunch_s)
    return end if end <= slot.hard_end_s else NEVER


def _is_back_before_lunch(slot: Slot, end_s: int) -> bool:
    return end_s <= min(slot.lunch_earliest_s, slot.start_s + NO_LUNCH_UP_TO_S)


def lunch_inside(tables: Tables, slot: Slot, job: int, begin_s: int, work_s: int) -> int | None:
    """Return when lunch interrupts long work begun at ``begin_s``, or None when the hours don't allow it."""
    if tables.service_s[job] < tables.problem.settings.lunch_inside_work_from_s or begin_s >= NEVER:
        return None
    start = max(begin_s, slot.lunch_earliest_s)
    if start > min(slot.lunch_latest_s, begin_s + work_s):
        return None
    stays_open = any(
        earliest <= begin_s and begin_s + slot.lunch_s <= latest
        for earliest, latest in tables.windows[job][slot.day]
    )
    is_free = ready_after(slot.off, begin_s, work_s + slot.lunch_s) == begin_s
    return start if stays_open and is_free else None


def timed(tables: Tables, slot: Slot, sequence: Sequence_) -> Route | None:
    """Return the day with times and lunch placed where the day ends earliest; None when it doesn't work."""
    if day_end(tables, slot, sequence) >= NEVER:
        return None
    without = _walk(tables, slot, sequence, None)
    if without is not None and (not slot.lunch_s or _is_back_before_lunch(slot, without.end_s)):
        return without
    places = range(3 * len(sequence) + 2) if slot.lunch_s else ()
    tries = [route for place in places if (route := _walk(tables, slot, sequence, place)) is not None]
    if not tries:
        return None
    return min(tries, key=lambda route: (route.end_s, route.lunch or (0, 0)))


def _walk(tables: Tables, slot: Slot, sequence: Sequence_, lunch_at: int | None) -> Route | None:
    """
    Walk the day with lunch at a fixed place: 2k before the k-th drive, 2k + 1 on arrival there, and from
    2n + 2 on inside the work of the first, second... of n stops.
    """
    now, row, drive_total, metres = slot.start_s, slot.start_row, 0, 0
    travel, before = tables.problem.travel, None
    lunch: tuple[int, int] | None = None
    stops: list[Stop] = []
    for leg, job in enumerate((*sequence, None)):
        if lunch_at == 2 * leg:
            lunch = _lunch(slot, now)
            if lunch is None:
                return None
            now = lunch[1]
        here = slot.end_row if job is None else tables.job_row[job]
        moves = job is None or leg == 0 or here != row
        drive = tables.drive_s[row][here] if moves else 0
        leg_m = int(travel.distance_m[row, here]) if moves else 0
        now = ready_after(slot.off, now, drive) + drive
        drive_total, metres, arrive = drive_total + drive, metres + leg_m, now
        if lunch_at == 2 * leg + 1:
            lunch = _lunch(slot, now)
            if lunch is None:
                return None
            now = lunch[1]
        if job is None:
            break
        if moves:
            now = ready_after(slot.off, now, tables.visit_s) + tables.visit_s
        work_s = tables.work_s(before, job)
        start = work_start(tables.windows[job][slot.day], slot.off, now, work_s)
        if start >= NEVER:
            return None
        now = start + work_s
        if lunch_at == 2 * len(sequence) + 2 + leg:
            pause = lunch_inside(tables, slot, job, start, work_s)
            if pause is None:
                return None
            lunch = (pause, pause + slot.lunch_s)
            now += slot.lunch_s
        order, late = tables.jobs[job], tables.late_days[job][slot.day]
        stops.append(Stop(order.id, order.place.id, arrive, start, now, drive, leg_m, not moves, late))
        row, before = here, job
    if now > slot.hard_end_s:
        return None
    start_s = _leave_home(tables, slot, stops, lunch)
    return Route(
        technician_id=tables.technicians[slot.technician].id,
        day=tables.days[slot.day],
        start_place_id=travel.place_ids[slot.start_row],
        end_place_id=travel.place_ids[slot.end_row],
        start_s=start_s,
        end_s=now,
        drive_s=drive_total,
        distance_m=metres,
        stops=tuple(stops),
        lunch=lunch,
        overtime_s=max(0, now - slot.end_s),
    )


def _lunch(slot: Slot, ready_s: int) -> tuple[int, int] | None:
    if ready_s > slot.lunch_latest_s:
        return None
    start = max(ready_s, slot.lunch_earliest_s)
    return start, start + slot.lunch_s


def _leave_home(tables: Tables, slot: Slot, stops: list[Stop], lunch: tuple[int, int] | None) -> int:
    """Leave later instead of waiting at the first door; changes the first stop's arrival in place."""
    if not stops or (lunch is not None and lunch[0] < stops[0].start_s):
        return slot.start_s
    first = stops[0]
    way_s = first.drive_s + tables.visit_s
    leaves_s = max(first.start_s - way_s, first.arrive_s - first.drive_s)
    for start, end in reversed(slot.off):
        if leaves_s < end and leaves_s + way_s > start:
            leaves_s = max(start - way_s, first.arrive_s - first.drive_s)
    stops[0] = replace(first, arrive_s=leaves_s + first.drive_s)
    return leaves_s


def route_cost_s(tables: Tables, slot_number: int, sequence: Sequence_) -> int | None:
    """Return the price of one day, or None when the day doesn't work. Remembered per (slot, sequence)."""
    if not sequence:
        return 0
    key = (slot_number, sequence)
    if key not in tables.route_memo:
        if len(tables.route_memo) > 1_000_000:
            tables.route_memo.clear()
        tables.route_memo[key] = _route_cost_s(tables, tables.slots[slot_number], sequence)
    return tables.route_memo[key]


def _route_cost_s(tables: Tables, slot: Slot, sequence: Sequence_) -> int | None:
    end = day_end(tables, slot, sequence)
    if end >= NEVER or not load_fits(tables, slot, sequence):
        return None
    settings = tables.problem.settings
    drive, visits = drive_and_visits(tables, slot, sequence)
    strangers = sum(
        1
        for job in sequence
        if tables.preferred[job] is not None and tables.preferred[job] != slot.technician
    )
    worked = drive + visits * tables.visit_s + tables.work_of_s(sequence)
    return round(
        drive * settings.drive
        + visits * tables.visit_price_s
        + max(0, end - slot.end_s) * settings.overtime
        + max(0, worked - slot.fair_s) * settings.fairness
        + strangers * settings.other_technician * 60
    )


def drive_and_visits(tables: Tables, slot: Slot, sequence: Sequence_) -> tuple[int, int]:
    """Return (driving seconds, arrivals at a site) of a day."""
    row, drive, visits = slot.start_row, 0, 0
    for position, job in enumerate(sequence):
        here = tables.job_row[job]
        if position == 0 or here != row:
            drive, visits = drive + tables.drive_s[row][here], visits + 1
        row = here
    return drive + (tables.drive_s[row][slot.end_row] if sequence else 0), visits


def busy_s(tables: Tables, slot: Slot, sequence: Sequence_) -> int:
    """Return driving, walking in, work and lunch of a day without any waiting. Remembered."""
    key = (slot.number, sequence)
    if key not in tables.busy_memo:
        if len(tables.busy_memo) > 1_000_000:
            tables.busy_memo.clear()
        drive, visits = drive_and_visits(tables, slot, sequence)
        work = tables.work_of_s(sequence)
        tables.busy_memo[key] = drive + visits * tables.visit_s + work + slot.lunch_s
    return tables.busy_memo[key]


def load_fits(tables: Tables, slot: Slot, sequence: Sequence_) -> bool:
    """Whether the day's jobs fit the van: space, and limited parts of this one day."""
    technician = tables.technicians[slot.technician]
    if technician.van_space is not None:
        space = sum(tables.jobs[job].van_space for job in sequence)
        if space > technician.van_space:
            return False
    limited = tables.limited_parts[slot.technician]
    return not limited or all(
        used <= limited.get(kind, used) for kind, used in _parts(tables, sequence).items()
    )


def _parts(tables: Tables, sequence: Sequence_) -> Counter[str]:
    used: Counter[str] = Counter()
    for job in sequence:
        used.update(tables.jobs[job].parts)
    return used


def parts_left(tables: Tables, plan: Assignment, technician: int) -> dict[str, int]:
    """Return the limited parts a technician still has after the whole plan; negative when overdrawn."""
    left = dict(tables.limited_parts[technician])
    if left:
        for number, sequence in plan.items():
            if tables.slots[number].technician == technician:
                for kind, pieces in _parts(tables, sequence).items():
                    if kind in left:
                        left[kind] -= pieces
    return left


def placed_slots(plan: Assignment) -> dict[int, int]:
    """Return job -> slot for everything placed."""
    return {job: number for number, sequence in plan.items() for job in sequence}


def link_cost_s(tables: Tables, where: dict[int, int]) -> int:
    """Return the price of second visits made by somebody else than the first."""
    others = sum(
        1
        for job, first in enumerate(tables.predecessor)
        if first is not None
        and job in where
        and first in where
        and tables.slots[where[job]].technician != tables.slots[where[first]].technician
    )
    return round(others * tables.problem.settings.other_technician * 60)


def job_cost_s(tables: Tables, job: int, slot_number: int | None) -> int:
    """Return what one order costs by its day, or by being left out."""
    if slot_number is None:
        return tables.unplaced_cost_s[job] + tables.pin_loss_s[job]
    return tables.late_cost_s[job][tables.slots[slot_number].day]


def plan_cost_s(tables: Tables, plan: Assignment) -> int | None:
    """Return the price of a whole plan, or None when one of its days doesn't work."""
    where = placed_slots(plan)
    total = link_cost_s(tables, where)
    for number, sequence in plan.items():
        cost = route_cost_s(tables, number, sequence)
        if cost is None:
            return None
        total += cost
    return total + sum(job_cost_s(tables, job, where.get(job)) for job in range(len(tables.jobs)))
