"""Inputs that can't be planned, named with their remedy, so that the rest is planned."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

from scheduling.planning.problem import Job, PinLevel, Problem, Shift
from scheduling.planning.proposal import Reason, Refusal, Unplaced
from shared.messages import message
from shared.periods import day_text


def usable_shifts(problem: Problem) -> tuple[list[Shift], list[Refusal]]:
    """Return the shifts inside the plan's days that can be worked, and a refusal for each that can't."""
    technicians = {technician.id: technician for technician in problem.technicians}
    good: list[Shift] = []
    refused: list[Refusal] = []
    for shift in problem.shifts:
        if shift.day not in problem.days:
            continue
        technician = technicians[shift.technician_id]
        what = message("shift of {name} on {day}", name=technician.name, day=day_text(shift.day))
        ends = (shift.start_place or technician.start, technician.end)
        homeless = [place for place in ends if place.id not in problem.travel.row_of]
        if shift.end_s <= shift.start_s:
            wrong = message("it ends before it starts."), message("Correct the times of the shift.")
        elif shift.work_s <= 0:
            wrong = (
                message("lunch and time off fill all of it."),
                message("Lengthen the shift or shorten lunch."),
            )
        elif homeless:
            wrong = (
                message("its place {id} has no position.", id=homeless[0].id),
                message("Give the place a position."),
            )
        else:
            good.append(shift)
            continue
        refused.append(Refusal(what, wrong[0], wrong[1]))
    return good, refused


def unplannable_jobs(problem: Problem, shifts: list[Shift]) -> tuple[dict[str, Unplaced], list[Refusal]]:
    """Return the orders that no plan can hold because their own data forbid it, with refusals."""
    out: dict[str, Unplaced] = {}
    refused: list[Refusal] = []
    for job, reason, text, remedy in (
        *_bad_sites(problem),
        *_too_long(problem, shifts),
        *_bad_pins(problem, shifts),
    ):
        if job.id not in out:
            out[job.id] = Unplaced(job.id, reason, text, remedy)
            refused.append(Refusal(message("order {id}", id=job.id), text, remedy))
    return out, refused


_Found = Iterator[tuple[Job, Reason, str, str]]


def _bad_sites(problem: Problem) -> _Found:
    for job in problem.jobs:
        if job.place.id not in problem.travel.row_of:
            yield (
                job,
                Reason.NO_POSITION,
                message("the site {name} has no position.", name=job.place.name or job.place.id),
                message("Give the site a latitude and longitude."),
            )


def _too_long(problem: Problem, shifts: list[Shift]) -> _Found:
    allowed = problem.settings.overtime_allowed_s
    longest = max((_longest_stretch_s(shift, allowed) for shift in shifts), default=None)
    for job in problem.jobs:
        if longest is not None and job.service_s > longest:
            yield (
                job,
                Reason.LONGER_THAN_SHIFT,
                message(
                    "the work takes {service_s} min; no shift holds over {longest}.",
                    service_s=job.service_s // 60,
                    longest=longest // 60,
                ),
                message("Split the order over two visits or plan a longer shift."),
            )


def _longest_stretch_s(shift: Shift, allowed_s: int) -> int:
    """Return the longest time in one piece that a shift leaves for work. [s]"""
    if not shift.off:
        return shift.work_s + allowed_s
    starts = [shift.start_s, *(end for _, end in shift.off)]
    ends = [*(start for start, _ in shift.off), shift.end_s + allowed_s]
    return max(end - start for start, end in zip(starts, ends, strict=True))


def _bad_pins(problem: Problem, shifts: list[Shift]) -> _Found:
    worked = {(shift.technician_id, shift.day) for shift in shifts}
    days_worked = {shift.day for shift in shifts}
    for job in problem.jobs:
        pin = job.pin
        if pin is None:
            continue
        if pin.technician_id is not None and (pin.technician_id, pin.day) not in worked:
            text = message(
                "it is locked to {technician_id} on {day}, who has no shift then.",
                technician_id=pin.technician_id,
                day=day_text(pin.day),
            )
            yield job, Reason.PIN_CONFLICT, text, message("Move the lock or plan the shift.")
        elif pin.day not in days_worked:
            yield (
                job,
                Reason.PIN_CONFLICT,
                message("it is locked to {day}, when nobody works.", day=day_text(pin.day)),
                message("Move the lock."),
            )
    yield from _clashing_promises(problem)


def _clashing_promises(problem: Problem) -> _Found:
    promised = [job for job in problem.jobs if job.pin is not None and job.pin.level == PinLevel.PROMISED]
    gone: set[str] = set()
    for first, second in combinations(promised, 2):
        if first.id in gone or second.id in gone or not _clash(problem, first, second):
            continue
        gone.add(second.id)
        yield (
            second,
            Reason.PIN_CONFLICT,
            message(
                "its promised time and that of order {id} can't both be kept by the same person.", id=first.id
            ),
            message("Promise one of them another time or another technician."),
        )


def _clash(problem: Problem, first: Job, second: Job) -> bool:
    one, two = first.pin, second.pin
    if one is None or two is None or (one.technician_id, one.day) != (two.technician_id, two.day):
        return False
    rows = problem.travel.row_of
    if first.place.id not in rows or second.place.id not in rows:
        return False
    return not (_fits_after(problem, first, second) or _fits_after(problem, second, first))


def _fits_after(problem: Problem, first: Job, second: Job) -> bool:
    assert first.pin is not None
    assert second.pin is not None
    same_site = first.place.id == second.place.id
    walk_in_s = 0 if same_site else round(problem.settings.site_visit * 60)
    ready = first.pin.earliest_s + first.service_s + problem.travel.seconds(first.place.id, second.place.id)
    return max(ready + walk_in_s, second.pin.earliest_s) <= second.pin.latest_s
