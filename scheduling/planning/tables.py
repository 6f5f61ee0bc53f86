"""The problem as numbered rows: what every step of the planner reads. Seconds and metres only."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date

from scheduling.planning.problem import Job, PinLevel, PlanSettings, Problem, Shift, Technician
from scheduling.planning.proposal import Reason, Refusal, Unplaced
from scheduling.planning.unplannable import unplannable_jobs, usable_shifts
from shared.messages import message

Sequence_ = tuple[int, ...]
Assignment = dict[int, Sequence_]
"""Slot number -> job numbers in order of visit; slots without jobs may be missing."""


PIN_LOSS_S = 1_000_000
"""Above any sum of lateness that one pin could save, small enough not to overflow the solver."""


@dataclass(frozen=True)
class Slot:
    """One technician-day that can be worked."""

    number: int
    technician: int
    day: int
    start_row: int
    end_row: int
    start_s: int
    end_s: int
    lunch_s: int
    lunch_earliest_s: int
    lunch_latest_s: int
    hard_end_s: int
    fair_s: int
    """Where the fairness price begins: this day's equal share of the team's work. [s]"""
    off: tuple[tuple[int, int], ...] = ()
    """Stretches without driving or work, rising."""

    @property
    def off_s(self) -> int:
        """All time off. [s]"""
        return sum(end - start for start, end in self.off)


@dataclass
class Tables:
    """Numbered view of a problem. Jobs that can't be planned at all are in ``unplannable``, not ``jobs``."""

    problem: Problem
    jobs: tuple[Job, ...]
    slots: tuple[Slot, ...]
    technicians: tuple[Technician, ...]
    days: tuple[date, ...]
    drive_s: list[list[int]]
    job_row: list[int]
    service_s: list[int]
    spared_s: list[int]
    """Spared where the work before it in the same visit was on the same unit. [s]"""
    unit_of: list[str | None]
    """Serial of the treatment unit an order is for."""
    visit_s: int
    visit_price_s: int
    windows: list[list[tuple[tuple[int, int], ...]]]
    """windows[job][day]: (earliest, latest) start of work."""
    allowed_slots: list[tuple[int, ...]]
    late_days: list[list[int]]
    late_cost_s: list[list[int]]
    unplaced_cost_s: list[int]
    pin_loss_s: list[int]
    """Added when a pinned order is left out: a pin is lost only when nothing else is possible."""
    due_inside: list[bool]
    preferred: list[int | None]
    predecessor: list[int | None]
    successors: list[tuple[int, ...]]
    limited_parts: list[dict[str, int]]
    """limited_parts[technician]: kind -> pieces for the whole plan, where it isn't restocked."""
    unplannable: dict[str, Unplaced]
    refusals: list[Refusal]
    number_of: dict[str, int]
    owed_by: dict[int, str]
    """First visits whose second visit can't be planned: only days so late that it falls after the plan."""
    route_memo: dict[tuple[int, Sequence_], int | None] = field(default_factory=dict, repr=False)
    busy_memo: dict[tuple[int, Sequence_], int] = field(default_factory=dict, repr=False)
    """Busy seconds of routes already timed. [s]"""

    def work_s(self, before: int | None, job: int) -> int:
        """Return the time of an order's work after another order, or as the first of a visit. [s]"""
        unit = self.unit_of[job]
        if before is None or unit is None or unit != self.unit_of[before]:
            return self.service_s[job]
        return self.service_s[job] - self.spared_s[job]

    def work_of_s(self, sequence: Sequence_) -> int:
        """Return the time of a day's work. [s]"""
        return sum(map(self.work_s, (None, *sequence), sequence))

    def is_linked(self, job: int) -> bool:
        """Say whether the order is one of two visits that belong together."""
        return self.predecessor[job] is not None or bool(self.successors[job])

    def with_job(self, job: int, changed: Job) -> Tables:
        """Return tables in which one order's pin, window or hours differ."""
        windows, allowed, jobs = list(self.windows), list(self.allowed_slots), list(self.jobs)
        windows[job] = [_start_windows(changed, day) for day in self.days]
        allowed[job] = _allowed(self.problem, changed, windows[job], self.slots)
        jobs[job] = changed
        return replace(
            self, jobs=tuple(jobs), windows=windows, allowed_slots=allowed, route_memo={}, busy_memo={}
        )


def build_tables(problem: Problem) -> Tables:
    """Number everything once."""
    shifts, refused_shifts = usable_shifts(problem)
    unplannable, refused_jobs = unplannable_jobs(problem, shifts)
    _orphans(problem, unplannable)
    jobs = tuple(job for job in problem.jobs if job.id not in unplannable)
    technician_number = {technician.id: number for number, technician in enumerate(problem.technicians)}
    number_of = {job.id: number for number, job in enumerate(jobs)}
    day_number = {day: number for number, day in enumerate(problem.days)}
    slots = _slots(problem, shifts, jobs, technician_number, day_number)
    owed = {job.after.predecessor_id: job for job in problem.jobs if job.after and job.id in unplannable}
    windows = [
        [_start_windows(job, day, owed.get(job.id), problem.days[-1]) for day in problem.days] for job in jobs
    ]
    predecessor = [number_of.get(job.after.predecessor_id) if job.after else None for job in jobs]
    late = [[max(0, (day - job.last_day).days) for day in problem.days] for job in jobs]
    settings = problem.settings
    return Tables(
        problem=problem,
        jobs=jobs,
        slots=slots,
        technicians=problem.technicians,
        days=problem.days,
        drive_s=problem.travel.drive_s.tolist(),
        job_row=[problem.travel.row_of[job.place.id] for job in jobs],
        service_s=[job.service_s for job in jobs],
        spared_s=[job.set_up_s for job in jobs],
        unit_of=[job.unit_id for job in jobs],
        visit_s=round(settings.site_visit * 60),
        visit_price_s=round((settings.site_visit + settings.disturbance) * 60),
        windows=windows,
        allowed_slots=[_allowed(problem, job, windows[number], slots) for number, job in enumerate(jobs)],
        late_days=late,
        late_cost_s=[[day_price_s(problem, job, day) for day in problem.days] for job in jobs],
        unplaced_cost_s=[round(unplaced_minutes(problem, job) * 60) for job in jobs],
        pin_loss_s=[0 if job.pin is None else PIN_LOSS_S * int(job.pin.level) for job in jobs],
        due_inside=[job.last_day <= problem.days[-1] for job in jobs],
        preferred=[technician_number.get(job.preferred_technician_id or "") for job in jobs],
        predecessor=predecessor,
        successors=[
            tuple(other for other, first in enumerate(predecessor) if first == number)
            for number in range(len(jobs))
        ],
        limited_parts=[
            {kind: pieces for kind, pieces in one.van_stock.items() if kind not in one.restock_kinds}
            for one in problem.technicians
        ],
        unplannable=unplannable,
        refusals=[*refused_shifts, *refused_jobs],
        number_of=number_of,
        owed_by={number_of[first]: job.id for first, job in owed.items() if first in number_of},
    )


def day_price_s(problem: Problem, job: Job, day: date) -> int:
    """
    Return what doing an order on a day costs by that day alone: the penalty of moving it from its best day.

    Coming early throws life away; past best-by each begun week costs; past the limit each day does. Unsafe
    water costs from its first possible day on. Life thrown away is taken at the middle of the plan's days:
    within a plan it differs by minutes, and days that cost the same keep the search quick. [s of drive]

    Source
    ------
    Penalty functions of Wildeman, Dekker and Smit 1997, EJOR 99(3), for advancing and postponing; the shape
    of ours is linear and in weeks.
    """
    settings, middle = problem.settings, problem.days[len(problem.days) // 2]
    early = max(0, (job.last_day - middle).days) * job.waste_s_per_day
    late = max(0, (day - job.last_day).days) * settings.late_day
    waited = (min(day, job.last_day) - (job.best_by or job.last_day)).days
    waiting = max(0, -(-waited // 7)) * settings.waiting_week
    unsafe = 0.0
    if job.is_unsafe:
        unsafe = max(0, (day - max(job.first_day, problem.days[0])).days) * settings.unsafe_day
    return round(early + (late * job.risk_weight + waiting + unsafe) * 60)


def unplaced_minutes(problem: Problem, job: Job) -> float:
    """Return the price of leaving an order out: dear when due inside the days, else cheap [min]."""
    settings = problem.settings
    days_after = (job.last_day - problem.days[-1]).days
    if days_after <= 0:
        per_day = max(settings.missed_per_day, settings.late_day)
        return (settings.missed + per_day * -days_after) * max(job.risk_weight, 0.01)
    share = min(1.0, days_after / max(1, settings.carry_over_days))
    return settings.carry_over_most - share * (settings.carry_over_most - settings.carry_over_least)


def has_skills_and_parts(technician: Technician, job: Job) -> bool:
    """Say whether a technician may do an order and can have its parts."""
    return job.skills <= technician.skills and not missing_parts(technician, job)


def missing_parts(technician: Technician, job: Job) -> list[str]:
    """Return the kinds that neither the van nor the place where it starts can supply."""
    return [
        kind
        for kind, pieces in job.parts.items()
        if kind not in technician.restock_kinds and technician.van_stock.get(kind, 0) < pieces
    ]


def _slots(
    problem: Problem,
    shifts: list[Shift],
    jobs: tuple[Job, ...],
    technician_number: dict[str, int],
    day_number: dict[date, int],
) -> tuple[Slot, ...]:
    rows, settings = problem.travel.row_of, problem.settings
    ordered = sorted(shifts, key=lambda shift: (shift.day, technician_number[shift.technician_id]))
    capacity_s = sum(shift.work_s for shift in ordered)
    work_s = sum(job.service_s + 900 for job in jobs)
    share = min(1.0, work_s / capacity_s) if capacity_s else 1.0
    slots = []
    for number, shift in enumerate(ordered):
        technician = problem.technicians[technician_number[shift.technician_id]]
        earliest, latest = lunch_window(settings, shift.start_s, shift.end_s, shift.lunch_s)
        slots.append(
            Slot(
                number=number,
                technician=technician_number[shift.technician_id],
                day=day_number[shift.day],
                start_row=rows[(shift.start_place or technician.start).id],
                end_row=rows[technician.end.id],
                start_s=shift.start_s,
                end_s=shift.end_s,
                lunch_s=shift.lunch_s,
                lunch_earliest_s=earliest,
                lunch_latest_s=latest,
                hard_end_s=shift.end_s + settings.overtime_allowed_s,
                fair_s=round(share * shift.work_s),
                off=shift.off,
            )
        )
    return tuple(slots)


def lunch_window(settings: PlanSettings, start_s: int, end_s: int, lunch_s: int) -> tuple[int, int]:
    """Return (earliest, latest) start of lunch; the middle of a shift that misses the usual hours."""
    earliest, latest = settings.lunch_earliest_s, settings.lunch_latest_s
    if latest < start_s or earliest + lunch_s > end_s:
        earliest = latest = start_s + (end_s - start_s - lunch_s) // 2
    return earliest, latest


def _orphans(problem: Problem, unplannable: dict[str, Unplaced]) -> None:
    """Add the orders whose first visit can't be planned."""
    found = True
    while found:
        found = False
        for job in problem.jobs:
            if job.after and job.id not in unplannable and job.after.predecessor_id in unplannable:
                text = message(
                    "the visit before it, order {id}, can't be planned.", id=job.after.predecessor_id
                )
                unplannable[job.id] = Unplaced(
                    job.id, Reason.LINK, text, message("See the reason of that order.")
                )
                found = True


def _start_windows(
    job: Job, day: date, owed: Job | None = None, last_day: date | None = None
) -> tuple[tuple[int, int], ...]:
    """Return (earliest, latest) starts of work on a day, the promised time included."""
    if day < job.first_day:
        return ()
    gap = owed.after.max_gap_days if owed is not None and owed.after is not None else None
    if gap is not None and last_day is not None and (last_day - day).days >= gap:
        return ()
    pin = job.pin
    if pin is not None and pin.day != day:
        return ()
    found = []
    for opens, closes in job.access.on(day):
        earliest, latest = opens, closes - job.service_s
        if pin is not None:
            earliest, latest = max(earliest, pin.earliest_s), min(latest, pin.latest_s)
        if earliest <= latest:
            found.append((earliest, latest))
    return tuple(found)


def _allowed(
    problem: Problem, job: Job, windows: list[tuple[tuple[int, int], ...]], slots: tuple[Slot, ...]
) -> tuple[int, ...]:
    pinned = job.pin.technician_id if job.pin and job.pin.level >= PinLevel.TECHNICIAN_DAY else None
    suited = [
        has_skills_and_parts(technician, job) and pinned in (None, technician.id)
        for technician in problem.technicians
    ]
    return tuple(slot.number for slot in slots if suited[slot.technician] and windows[slot.day])
