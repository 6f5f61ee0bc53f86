"""Put times on an order of visits: earliest arrival, access hours, lunch. One pass, exact."""

from __future__ import annotations

from dataclasses import dataclass, replace

from scheduling.planning.problem import NO_LUNCH_UP_TO_S
from scheduling.planning.tables import Sequence_, Slot, Tables

NEVER = 10**9


@dataclass(frozen=True)
class TimedStop:
    """Times of one visit within a day. [s]"""

    job: int
    arrive_s: int
    start_s: int
    leave_s: int
    drive_s: int
    same_visit: bool


@dataclass(frozen=True)
class TimedRoute:
    """A feasible day with times. [s]"""

    start_s: int
    end_s: int
    drive_s: int
    visits: int
    lunch: tuple[int, int] | None
    stops: tuple[TimedStop, ...]


def first_start(windows: tuple[tuple[int, int], ...], ready_s: int) -> int:
    """Return the first moment at or after ``ready_s`` when work may start, or NEVER."""
    for earliest, latest in windows:
        if ready_s <= latest:
            return max(ready_s, earliest)
    return NEVER


def day_end(tables: Tables, slot: Slot, sequence: Sequence_) -> int:
    """
    Return when the technician is back, lunch taken, at the earliest; NEVER when the day doesn't work.

    Two clocks run side by side: lunch not yet taken, and lunch taken. Earlier is never worse, so keeping the
    earliest of each is exact. Lunch may be taken before a drive, on arrival, or after the return; who is back
    before its hours begin needs none.
    """
    hungry, fed = slot.start_s, NEVER
    lunch_s, earliest, latest = slot.lunch_s, slot.lunch_earliest_s, slot.lunch_latest_s
    row, first = slot.start_row, True
    for job in sequence:
        here = tables.job_row[job]
        if lunch_s and hungry <= latest:
            fed = min(fed, max(hungry, earliest) + lunch_s)
        if first or here != row:
            drive = tables.drive_s[row][here]
            hungry += drive
            fed += drive
            if lunch_s and hungry <= latest:
                fed = min(fed, max(hungry, earliest) + lunch_s)
            hungry += tables.visit_s
            fed += tables.visit_s
        windows, service = tables.windows[job][slot.day], tables.service_s[job]
        begin = first_start(windows, hungry)
        hungry, fed = begin + service, first_start(windows, fed) + service
        if lunch_s and lunch_inside(tables, slot, job, begin) is not None:
            fed = min(fed, hungry + lunch_s)
        if hungry >= NEVER and fed >= NEVER:
            return NEVER
        row, first = here, False
    back = tables.drive_s[row][slot.end_row] if sequence else 0
    if not lunch_s:
        end = hungry + back
    else:
        if hungry <= latest:
            fed = min(fed, max(hungry, earliest) + lunch_s)
        end = fed + back
        if _is_back_before_lunch(slot, hungry + back):
            end = hungry + back
        elif hungry + back <= latest:
            end = min(end, max(hungry + back, earliest) + lunch_s)
    return end if end <= slot.hard_end_s else NEVER


def _is_back_before_lunch(slot: Slot, end_s: int) -> bool:
    return end_s <= min(slot.lunch_earliest_s, slot.start_s + NO_LUNCH_UP_TO_S)


def lunch_inside(tables: Tables, slot: Slot, job: int, begin_s: int) -> int | None:
    """Return when lunch interrupts long work begun at ``begin_s``, or None when the hours don't allow it."""
    service = tables.service_s[job]
    if service < tables.problem.settings.lunch_inside_work_from_s or begin_s >= NEVER:
        return None
    start = max(begin_s, slot.lunch_earliest_s)
    if start > min(slot.lunch_latest_s, begin_s + service):
        return None
    stays_open = any(
        earliest <= begin_s and begin_s + slot.lunch_s <= latest
        for earliest, latest in tables.windows[job][slot.day]
    )
    return start if stays_open else None


def timed(tables: Tables, slot: Slot, sequence: Sequence_) -> TimedRoute | None:
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


def _walk(tables: Tables, slot: Slot, sequence: Sequence_, lunch_at: int | None) -> TimedRoute | None:
    """
    Walk the day with lunch at a fixed place: 2k before the k-th drive, 2k + 1 on arrival there, and from
    2n + 2 on inside the work of the first, second... of n stops.
    """
    now, row, drive_total, visits = slot.start_s, slot.start_row, 0, 0
    lunch: tuple[int, int] | None = None
    stops: list[TimedStop] = []
    for leg, job in enumerate((*sequence, None)):
        if lunch_at == 2 * leg:
            lunch = _lunch(slot, now)
            if lunch is None:
                return None
            now = lunch[1]
        here = slot.end_row if job is None else tables.job_row[job]
        moves = job is None or leg == 0 or here != row
        drive = tables.drive_s[row][here] if moves else 0
        now, drive_total, arrive = now + drive, drive_total + drive, now + drive
        if lunch_at == 2 * leg + 1:
            lunch = _lunch(slot, now)
            if lunch is None:
                return None
            now = lunch[1]
        if job is None:
            break
        if moves:
            now, visits = now + tables.visit_s, visits + 1
        start = first_start(tables.windows[job][slot.day], now)
        if start >= NEVER:
            return None
        now = start + tables.service_s[job]
        if lunch_at == 2 * len(sequence) + 2 + leg:
            pause = lunch_inside(tables, slot, job, start)
            if pause is None:
                return None
            lunch = (pause, pause + slot.lunch_s)
            now += slot.lunch_s
        stops.append(TimedStop(job, arrive, start, now, drive, not moves))
        row = here
    if now > slot.hard_end_s:
        return None
    start_s = _leave_home(tables, slot, stops, lunch)
    return TimedRoute(start_s, now, drive_total, visits, lunch, tuple(stops))


def _lunch(slot: Slot, ready_s: int) -> tuple[int, int] | None:
    if ready_s > slot.lunch_latest_s:
        return None
    start = max(ready_s, slot.lunch_earliest_s)
    return start, start + slot.lunch_s


def _leave_home(tables: Tables, slot: Slot, stops: list[TimedStop], lunch: tuple[int, int] | None) -> int:
    """Leave later instead of waiting at the first door; changes the first stop's arrival in place."""
    if not stops or (lunch is not None and lunch[0] < stops[0].start_s):
        return slot.start_s
    first = stops[0]
    wait = first.start_s - first.arrive_s - tables.visit_s
    if wait <= 0:
        return slot.start_s
    stops[0] = replace(first, arrive_s=first.arrive_s + wait)
    return slot.start_s + wait
