"""A thousand awkward little weeks: the referee passes every plan, and no reason given is false."""

from collections import Counter
from dataclasses import replace
from itertools import permutations

import pytest

from scheduling.planning.assemble import assignment_of
from scheduling.planning.checker import check
from scheduling.planning.insertion import best_insertion
from scheduling.planning.planner import plan_week
from scheduling.planning.problem import AccessHours
from scheduling.planning.proposal import PROOFS, Limit, Reason
from scheduling.planning.tables import build_tables
from scheduling.planning.timing import NEVER, day_end
from tests.scheduling.planning.small import random_week

BATCH = 100


@pytest.mark.parametrize("first", range(0, 1000, BATCH))
def test_no_reason_is_false_and_the_referee_passes_every_plan(first):
    seen = Counter()
    for seed in range(first, first + BATCH):
        problem = random_week(seed)
        plan = plan_week(problem, seconds=1, seed=seed, use_solver=False)
        assert check(problem, plan) == []
        for one in plan.unplaced:
            assert one.text, f"seed {seed}: {one.job_id} has no reason"
            seen[one.reason] += 1
            if one.reason in PROOFS:
                assert not fits_some_empty_day(problem, one.job_id), f"seed {seed}: false proof {one}"
            elif one.reason == Reason.DAY_FULL:
                assert fits_nowhere(problem, plan, one.job_id), f"seed {seed}: {one} but it fits"
                if one.short_s is not None:
                    assert one.short_s > 0
                    assert fits_when_given(problem, plan, one), (
                        f"seed {seed}: {one} given, still does not fit"
                    )
                    seen[one.limit] += 1
            elif one.reason == Reason.COSTS_MORE:
                assert not fits_nowhere(problem, plan, one.job_id), f"seed {seed}: {one} but it does not fit"
    assert seen[Reason.DAY_FULL] > 0
    assert seen[Limit.SHIFT] > 0


def fits_some_empty_day(problem, job_id):
    """Try the order alone on every technician-day of an empty plan, its pin and its partner set aside."""
    job = replace(problem.job(job_id), pin=None, after=None)
    tables = build_tables(replace(problem, jobs=(job,)))
    return job_id in tables.number_of and best_insertion(tables, {}, 0) is not None


def fits_nowhere(problem, plan, job_id):
    tables = build_tables(problem)
    return best_insertion(tables, assignment_of(tables, plan), tables.number_of[job_id]) is None


def fits_when_given(problem, plan, one):
    """Lengthen the shift, or open the site longer, by exactly what was said; then try that technician-day."""
    if one.limit == Limit.SHIFT:
        shifts = tuple(
            replace(shift, end_s=shift.end_s + one.short_s)
            if (shift.technician_id, shift.day) == (one.technician_id, one.day)
            else shift
            for shift in problem.shifts
        )
        changed = replace(problem, shifts=shifts)
    else:
        job = problem.job(one.job_id)
        windows = job.access.on(one.day)
        longer = (*windows[:-1], (windows[-1][0], windows[-1][1] + one.short_s))
        access = AccessHours(
            job.access.by_weekday, {**job.access.by_date, one.day: longer}, job.access.otherwise
        )
        changed = replace(
            problem,
            jobs=tuple(replace(each, access=access) if each.id == job.id else each for each in problem.jobs),
        )
    tables = build_tables(changed)
    slots = [
        slot.number
        for slot in tables.slots
        if (tables.technicians[slot.technician].id, tables.days[slot.day]) == (one.technician_id, one.day)
    ]
    return (
        best_insertion(tables, assignment_of(tables, plan), tables.number_of[one.job_id], slots) is not None
    )


@pytest.mark.parametrize("first", range(0, 60, 20))
def test_the_solver_keeps_the_same_rules(first):
    for seed in range(first, first + 20):
        problem = random_week(seed)
        plan = plan_week(problem, seconds=1, seed=seed, max_iterations=60)
        assert check(problem, plan) == []
        again = plan_week(problem, seconds=1, seed=seed, max_iterations=60)
        assert again == plan, f"seed {seed} does not repeat"


def test_on_tiny_weeks_the_timing_finds_a_day_whenever_any_order_of_visits_has_one():
    """The one-pass clock agrees with brute force over every minute at which lunch could start."""
    compared = 0
    for seed in range(60):
        problem = random_week(seed)
        tables = build_tables(problem)
        for slot in tables.slots[:2]:
            jobs = [job for job in range(len(tables.jobs)) if slot.number in tables.allowed_slots[job]][:3]
            for sequence in permutations(jobs):
                if sequence:
                    assert clock_end(tables, slot, sequence) == brute_end(tables, slot, sequence), (
                        seed,
                        sequence,
                    )
                    compared += 1
    assert compared > 100


def clock_end(tables, slot, sequence):
    end = day_end(tables, slot, sequence)
    return None if end >= NEVER else end


def brute_end(tables, slot, sequence):
    """The earliest end over every minute at which lunch could start."""
    if not slot.lunch_s:
        return walk(tables, slot, sequence, -1)
    starts = range(max(slot.start_s, slot.lunch_earliest_s), slot.lunch_latest_s + 1, 60)
    return min((end for start in starts if (end := walk(tables, slot, sequence, start))), default=None)


def walk(tables, slot, sequence, lunch):
    """Work through the day around a lunch fixed like an appointment; None when the day breaks a rule."""
    over = lunch + slot.lunch_s
    now, row = slot.start_s, slot.start_row
    for position, job in enumerate(sequence):
        here = tables.job_row[job]
        moves = position == 0 or here != row
        if moves:
            now = around(now, tables.drive_s[row][here], lunch, over)
        entry = tables.visit_s if moves else 0
        done = worked(tables, slot, job, now + entry)
        inside = eaten_inside(tables, slot, job, now + entry, lunch)
        if inside is not None:
            done = inside
        elif done is None or (now < over and done > lunch):
            done = worked(tables, slot, job, max(now, over) + entry)
        if done is None:
            return None
        now, row = done, here
    if sequence:
        now = around(now, tables.drive_s[row][slot.end_row], lunch, over)
    now = max(now, over)
    return now if now <= slot.hard_end_s else None


def eaten_inside(tables, slot, job, ready, lunch):
    """The end of long work interrupted by lunch, if the site stays open."""
    for early, late in tables.windows[job][slot.day]:
        if ready <= late:
            start, service = max(ready, early), tables.service_s[job]
            if service >= 7200 and start <= lunch <= start + service and start + slot.lunch_s <= late:
                return start + service + slot.lunch_s
            return None
    return None


def around(now, length, lunch, over):
    """Do something of that length before lunch if it ends in time, else after it."""
    return now + length if now + length <= lunch or now >= over else over + length


def worked(tables, slot, job, ready):
    opening = [(early, late) for early, late in tables.windows[job][slot.day] if ready <= late]
    return max(ready, opening[0][0]) + tables.service_s[job] if opening else None
