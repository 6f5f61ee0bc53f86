"""The validator: does a finished plan keep every rule of the problem?

Written apart from the solver's model and the planner's own timing: it reads only the problem, the travel
table and the stated times, and shares no arithmetic with the rooms it judges.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from itertools import pairwise

from scheduling.planning.problem import DAY_S, NO_LUNCH_UP_TO_S, Job, PinLevel, Problem, Shift, Technician
from scheduling.planning.proposal import Proposal, Route, Stop


class Rule(StrEnum):
    """What a plan can break."""

    EACH_ONCE = "each order once"
    SHIFT = "inside the shift"
    DRIVE = "time to drive"
    WALK_IN = "time to walk in"
    SERVICE = "time to do the work"
    LUNCH = "lunch"
    WINDOW = "not before its first day"
    ACCESS = "access hours"
    SKILL = "skills"
    PARTS = "parts"
    VAN_SPACE = "van space"
    LINK = "linked visits"
    PIN = "pinned place"
    LATENESS = "lateness stated"
    UNIT = "work on one unit together, pre-filters first"
    UNSAFE = "unsafe water first"
    TIME_OFF = "time off"


@dataclass(frozen=True)
class Violation:
    """One broken rule: which, where, and in words."""

    rule: Rule
    text: str
    job_id: str | None = None
    technician_id: str | None = None
    day: date | None = None


def check(problem: Problem, proposal: Proposal, *, is_ours: bool = False) -> list[Violation]:
    """
    Return every broken rule; an empty list means the plan may be published.

    ``is_ours`` asks more of a plan nobody changed by hand: work on one unit in its order, unsafe water first.
    """
    found = list(_once(problem, proposal))
    shifts = {(shift.technician_id, shift.day): shift for shift in problem.shifts}
    technicians = {technician.id: technician for technician in problem.technicians}
    jobs = {job.id: job for job in problem.jobs}
    for route in proposal.routes:
        shift, technician = shifts.get((route.technician_id, route.day)), technicians.get(route.technician_id)
        if shift is None or technician is None or route.day not in problem.days:
            text = f"{route.technician_id} has no shift on {route.day}"
            found.append(Violation(Rule.SHIFT, text, None, route.technician_id, route.day))
            continue
        day = _Day(problem, route, shift, technician, jobs)
        found += [
            Violation(rule, text, job_id, route.technician_id, route.day)
            for rule, text, job_id in day.broken()
        ]
    found += _parts_over_the_plan(proposal, technicians, jobs)
    found += _links(problem, proposal, jobs)
    found += _pins(proposal, jobs)
    if is_ours:
        found += _units_in_order(problem, proposal, jobs)
        found += _unsafe_first(problem, proposal, jobs)
    return found


def _once(problem: Problem, proposal: Proposal) -> Iterator[Violation]:
    counted = Counter(stop.job_id for _, stop in proposal.placements())
    counted.update(one.job_id for one in proposal.unplaced)
    wanted = {job.id for job in problem.jobs}
    for job_id in wanted | set(counted):
        if job_id not in wanted or counted[job_id] != 1:
            yield Violation(Rule.EACH_ONCE, f"order {job_id} appears {counted[job_id]} times", job_id)


_Broken = Iterator[tuple[Rule, str, str | None]]


@dataclass(frozen=True)
class _Day:
    problem: Problem
    route: Route
    shift: Shift
    technician: Technician
    jobs: dict[str, Job]

    def broken(self) -> _Broken:
        known = [stop for stop in self.route.stops if stop.job_id in self.jobs]
        yield from self._frame(known)
        yield from self._clock(known)
        yield from self._lunch(known)
        for stop in known:
            yield from self._order(stop, self.jobs[stop.job_id])
        yield from self._load(known)

    def _frame(self, stops: list[Stop]) -> _Broken:
        latest = self.shift.end_s + self.problem.settings.overtime_allowed_s
        start = (self.shift.start_place or self.technician.start).id
        if self.route.start_s < self.shift.start_s or self.route.end_s > latest:
            yield (
                Rule.SHIFT,
                f"on the road {self.route.start_s}-{self.route.end_s} s, outside the shift",
                None,
            )
        if (self.route.start_place_id, self.route.end_place_id) != (start, self.technician.end.id):
            yield Rule.SHIFT, "the day starts or ends at another place", None
        if self.route.overtime_s != max(0, self.route.end_s - self.shift.end_s):
            yield Rule.SHIFT, "overtime is misstated", None

    def _clock(self, stops: list[Stop]) -> _Broken:
        """Each move leaves room for the drive, the walk in, and lunch where lunch lies."""
        travel = self.problem.travel
        walk_in_s = round(self.problem.settings.site_visit * 60)
        left_s, place_id = self.route.start_s, self.route.start_place_id
        drive_total = 0
        for position, stop in enumerate(stops):
            job = self.jobs[stop.job_id]
            if stop.place_id != job.place.id:
                yield Rule.DRIVE, "the stop is not at the order's site", stop.job_id
            stays = position > 0 and job.place.id == place_id
            drive = 0 if stays else travel.seconds(place_id, job.place.id)
            drive_total += drive
            if stop.drive_s != drive:
                yield Rule.DRIVE, f"states {stop.drive_s} s of driving, {drive} s are needed", stop.job_id
            if stop.arrive_s - left_s - self._pause_within(left_s, stop.arrive_s) < drive:
                yield Rule.DRIVE, f"arrives {drive} s of driving too early", stop.job_id
            entry = 0 if stays else walk_in_s
            if stop.start_s - stop.arrive_s - self._pause_within(stop.arrive_s, stop.start_s) < entry:
                yield Rule.WALK_IN, "starts work before walking in", stop.job_id
            is_set_up = stays and job.unit_id is not None and self._unit_before(position) == job.unit_id
            work_s = job.service_s - (job.set_up_s if is_set_up else 0)
            if stop.leave_s - stop.start_s - self._lunch_within(stop.start_s, stop.leave_s) != work_s:
                yield Rule.SERVICE, f"{stop.leave_s - stop.start_s} s for {work_s} s of work", stop.job_id
            left_s, place_id = stop.leave_s, job.place.id
        home = travel.seconds(place_id, self.route.end_place_id) if stops else 0
        drive_total += home
        if self.route.end_s - left_s - self._pause_within(left_s, self.route.end_s) < home:
            yield Rule.DRIVE, "back before the drive home is done", None
        if self.route.drive_s != drive_total:
            yield Rule.DRIVE, f"states {self.route.drive_s} s of driving, {drive_total} s are needed", None

    def _unit_before(self, position: int) -> str | None:
        known = [stop for stop in self.route.stops if stop.job_id in self.jobs]
        return self.jobs[known[position - 1].job_id].unit_id

    def _lunch_within(self, start_s: int, end_s: int) -> int:
        lunch = self.route.lunch
        return lunch[1] - lunch[0] if lunch and start_s <= lunch[0] and lunch[1] <= end_s else 0

    def _pause_within(self, start_s: int, end_s: int) -> int:
        """Lunch and time off between two moments, what they share counted once."""
        total = self._lunch_within(start_s, end_s)
        lunch = self.route.lunch if total else None
        for begins, ends in self.shift.off:
            total += max(0, min(ends, end_s) - max(begins, start_s))
            if lunch:
                total -= max(0, min(ends, lunch[1]) - max(begins, lunch[0]))
        return total

    def _lunch(self, stops: list[Stop]) -> _Broken:
        if not self.shift.lunch_s:
            return
        lunch, settings = self.route.lunch, self.problem.settings
        usual = (
            settings.lunch_latest_s >= self.shift.start_s
            and settings.lunch_earliest_s + self.shift.lunch_s <= self.shift.end_s
        )
        if lunch is None:
            shift_s = self.shift.end_s - self.shift.start_s - self.shift.lunch_s
            hours_begin_s = settings.lunch_earliest_s if usual else self.shift.start_s + shift_s // 2
            is_short = self.route.end_s - self.route.start_s <= NO_LUNCH_UP_TO_S
            if self.route.end_s > hours_begin_s or not is_short:
                yield Rule.LUNCH, "no lunch", None
            return
        if lunch[1] - lunch[0] < self.shift.lunch_s:
            yield Rule.LUNCH, "lunch is too short", None
        if not self.route.start_s <= lunch[0] <= lunch[1] <= self.route.end_s:
            yield Rule.LUNCH, "lunch lies outside the day", None
        if any(self._works_through(stop, lunch) for stop in stops):
            yield Rule.LUNCH, "works through lunch", None
        if usual and not settings.lunch_earliest_s <= lunch[0] <= settings.lunch_latest_s:
            yield Rule.LUNCH, "lunch starts outside its hours", None

    def _works_through(self, stop: Stop, lunch: tuple[int, int]) -> bool:
        """Whether lunch and this work overlap, other than lunch inside long work."""
        apart = lunch[1] <= stop.start_s or stop.leave_s <= lunch[0]
        inside = stop.start_s <= lunch[0] and lunch[1] <= stop.leave_s
        long = self.jobs[stop.job_id].service_s >= self.problem.settings.lunch_inside_work_from_s
        return not apart and not (inside and long)

    def _order(self, stop: Stop, job: Job) -> _Broken:
        if self.route.day < job.first_day:
            yield Rule.WINDOW, f"done before {job.first_day}", job.id
        if stop.late_days != max(0, (self.route.day - job.last_day).days):
            yield Rule.LATENESS, "days late are misstated", job.id
        if any(stop.start_s < ends and begins < stop.leave_s for begins, ends in self.shift.off):
            yield Rule.TIME_OFF, f"worked {stop.start_s}-{stop.leave_s} s, in the time off", job.id
        if not any(
            opens <= stop.start_s and stop.leave_s <= shuts for opens, shuts in job.access.on(self.route.day)
        ):
            yield Rule.ACCESS, f"worked {stop.start_s}-{stop.leave_s} s, when the site is closed", job.id
        lacking = job.skills - self.technician.skills
        if lacking:
            yield Rule.SKILL, f"lacks {', '.join(sorted(lacking))}", job.id

    def _load(self, stops: list[Stop]) -> _Broken:
        space = sum(self.jobs[stop.job_id].van_space for stop in stops)
        if self.technician.van_space is not None and space > self.technician.van_space:
            yield Rule.VAN_SPACE, f"{space} in a van that holds {self.technician.van_space}", None


def _parts_over_the_plan(
    proposal: Proposal, technicians: dict[str, Technician], jobs: dict[str, Job]
) -> Iterator[Violation]:
    used: dict[str, Counter[str]] = {}
    for route, stop in proposal.placements():
        if stop.job_id in jobs:
            used.setdefault(route.technician_id, Counter()).update(jobs[stop.job_id].parts)
    for technician_id, kinds in used.items():
        technician = technicians.get(technician_id)
        if technician is None:
            continue
        for kind, pieces in kinds.items():
            held = technician.van_stock.get(kind, 0)
            if kind not in technician.restock_kinds and pieces > held:
                text = f"{pieces} x {kind} needed, {held} in the van"
                yield Violation(Rule.PARTS, text, None, technician_id)


def _links(problem: Problem, proposal: Proposal, jobs: dict[str, Job]) -> Iterator[Violation]:
    day_of = {stop.job_id: route.day for route, stop in proposal.placements()}
    for job in jobs.values():
        if job.after is None or job.after.predecessor_id not in jobs:
            continue
        first, second = day_of.get(job.after.predecessor_id), day_of.get(job.id)
        if second is not None and first is None:
            yield Violation(Rule.LINK, f"order {job.id} is placed without the visit before it", job.id)
        elif second is not None and first is not None:
            if not job.after.min_gap_days <= (second - first).days <= job.after.max_gap_days:
                yield Violation(Rule.LINK, f"order {job.id} comes {(second - first).days} days after", job.id)
        elif first is not None and (problem.days[-1] - first).days >= job.after.max_gap_days:
            yield Violation(Rule.LINK, f"order {job.id} is left out though its first visit is placed", job.id)


def _pins(proposal: Proposal, jobs: dict[str, Job]) -> Iterator[Violation]:
    for route, stop in proposal.placements():
        job = jobs.get(stop.job_id)
        if job is None or job.pin is None:
            continue
        pin = job.pin
        moved = route.day != pin.day or (
            pin.level >= PinLevel.TECHNICIAN_DAY and route.technician_id != pin.technician_id
        )
        late = pin.level == PinLevel.PROMISED and not pin.earliest_s <= stop.start_s <= pin.latest_s
        if moved or late:
            yield Violation(
                Rule.PIN, f"order {job.id} left its locked place", job.id, route.technician_id, route.day
            )


def _visits(route: Route, jobs: dict[str, Job]) -> list[list[Stop]]:
    """Return the stops of a day, those at one site without leaving it together."""
    found: list[list[Stop]] = []
    for stop in route.stops:
        if stop.job_id in jobs:
            if found and found[-1][0].place_id == stop.place_id:
                found[-1].append(stop)
            else:
                found.append([stop])
    return found


def _has_hours(job: Job) -> bool:
    return job.pin is not None and (job.pin.earliest_s, job.pin.latest_s) != (0, DAY_S)


def _units_in_order(problem: Problem, proposal: Proposal, jobs: dict[str, Job]) -> Iterator[Violation]:
    """Within a visit: each unit's work in one go, in its order, but for promised hours and unsafe water."""
    off = {(shift.technician_id, shift.day): shift.off for shift in problem.shifts}
    for route in proposal.routes:
        for visit in _visits(route, jobs):
            work = [jobs[stop.job_id] for stop in visit]
            if any(_has_hours(job) or job.is_unsafe or job.after or job.pin for job in work):
                continue
            hours, lunch = {job.access.on(route.day) for job in work}, route.lunch
            if len(hours) > 1 or len(min(hours)) > 1:
                continue  # Doors may decide the order.
            if (lunch and visit[0].start_s <= lunch[0] < visit[-1].leave_s) or off.get(
                (route.technician_id, route.day)
            ):
                continue  # So may lunch and time off.
            units = [job.unit_id for job in work if job.unit_id is not None]
            changes = sum(one != other for one, other in pairwise(units))
            if changes >= len(set(units)) > 0:
                yield Violation(Rule.UNIT, "goes back to a unit", work[0].id, route.technician_id, route.day)
            for one, other in pairwise(work):
                if one.unit_id is not None and one.unit_id == other.unit_id and one.step > other.step:
                    text = f"order {other.id} comes before {one.id} in the order of work"
                    yield Violation(Rule.UNIT, text, one.id, route.technician_id, route.day)


SOONER_S = 15 * 60
"""Less is no sooner: the resolution of a day's plan (*common practice*: a quarter of an hour). [s]"""


def _unsafe_first(problem: Problem, proposal: Proposal, jobs: dict[str, Job]) -> Iterator[Violation]:
    """
    Unsafe water waits for nothing that can wait: no such visit before it on its day, and no other
    technician-day that could reach it sooner if what can wait there came after. Where somebody fixed the
    order's day, or a first visit governs it, people decided.
    """
    routes = {(route.technician_id, route.day): route for route in proposal.routes}
    technicians = {technician.id: technician for technician in problem.technicians}
    free_from: dict[tuple[str, date], tuple[int, str]] = {}
    for shift in problem.shifts:
        route, person = routes.get((shift.technician_id, shift.day)), technicians[shift.technician_id]
        free_from[(shift.technician_id, shift.day)] = _after_what_cannot_wait(shift, person, route, jobs)
    where = {stop.job_id: (route, stop) for route, stop in proposal.placements()}
    linked = {one for job in jobs.values() if job.after for one in (job.id, job.after.predecessor_id)}
    for job in jobs.values():
        if not job.is_unsafe or job.pin is not None or job.id in linked or job.id not in where:
            continue
        route, stop = where[job.id]
        if any(opens == stop.start_s for opens, _ in job.access.on(route.day)):
            continue  # It waits for the site's door.
        for visit in _visits(route, jobs):
            if stop in visit:
                break
            if not any(jobs[one.job_id].is_unsafe or _has_hours(jobs[one.job_id]) for one in visit):
                text = f"order {job.id}, unsafe water, waits for {visit[0].job_id}, which can wait"
                yield Violation(Rule.UNSAFE, text, job.id, route.technician_id, route.day)
                break
        actual = (route.day, stop.start_s - SOONER_S)
        for shift in problem.shifts:
            spot = (shift.technician_id, shift.day)
            person = technicians[shift.technician_id]
            if spot == (route.technician_id, route.day) or not _could_do(person, job, shift.day):
                continue
            ready_s, place_id = free_from[spot]
            reach_s = ready_s + problem.travel.seconds(place_id, job.place.id)
            reach_s += round(problem.settings.site_visit * 60)
            hours = job.access.on(shift.day)
            start_s = min((max(reach_s, opens) for opens, shuts in hours
                           if max(reach_s, opens) + job.service_s <= shuts), default=None)  # fmt: skip
            if start_s is None or (shift.day, start_s) >= actual:
                continue
            lunch_s = problem.settings.lunch_earliest_s
            if shift.off or (
                shift.lunch_s and not start_s + job.service_s <= lunch_s <= shift.end_s - shift.lunch_s
            ):
                continue  # Lunch or time off may stand in the way; only what is certain is a broken rule.
            home_s = problem.travel.seconds(job.place.id, person.end.id)
            if start_s + job.service_s + home_s + shift.lunch_s <= shift.end_s:
                text = f"order {job.id}, unsafe water: {person.id} could start {shift.day}, {start_s} s"
                yield Violation(Rule.UNSAFE, text, job.id, shift.technician_id, shift.day)
                break


def _could_do(person: Technician, job: Job, day: date) -> bool:
    """Say so for certain only: a van that could run short of a part is not counted on."""
    return (
        day >= job.first_day
        and job.skills <= person.skills
        and person.van_space is None
        and all(kind in person.restock_kinds for kind in job.parts)
    )


def _after_what_cannot_wait(
    shift: Shift, person: Technician, route: Route | None, jobs: dict[str, Job]
) -> tuple[int, str]:
    """Return when and where a technician is done with the last visit that can't wait. [s]"""
    ready_s, place_id = shift.start_s, (shift.start_place or person.start).id
    for visit in _visits(route, jobs) if route else []:
        if any(jobs[stop.job_id].is_unsafe or _has_hours(jobs[stop.job_id]) for stop in visit):
            ready_s, place_id = visit[-1].leave_s, visit[-1].place_id
    return ready_s, place_id
