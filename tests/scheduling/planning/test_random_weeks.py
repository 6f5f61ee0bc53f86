"""A thousand awkward little weeks: the referee passes every plan, and no reason given is false."""

from collections import Counter
from dataclasses import replace
from itertools import permutations

import pytest

from scheduling.planning.checker import Rule, check
from scheduling.planning.planner import assemble, assignment_of, plan_week
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
            elif one.reason == Reason.PART_USED_UP:
                assert fits_nowhere(problem, plan, one.job_id), f"seed {seed}: {one} but it fits"
            elif one.reason == Reason.COSTS_MORE:
                assert not fits_nowhere(problem, plan, one.job_id), f"seed {seed}: {one} but it does not fit"
    assert seen[Reason.DAY_FULL] > 0
    assert seen[Limit.SHIFT] > 0


def fits_some_empty_day(problem, job_id):
    """Try the order alone on every technician-day of an empty plan, its pin and its partner set aside."""
    job = replace(problem.job(job_id), pin=None, after=None)
    return job.place.has_position and fits_somewhere(replace(problem, jobs=(job,)), {}, job_id)


def fits_nowhere(problem, plan, job_id):
    return not fits_somewhere(problem, assignment_of(build_tables(problem), plan), job_id)


def fits_somewhere(problem, base, job_id, spots=None):
    """Put the order at every place of every technician-day and ask the referee: no bound, no short cut."""
    tables = build_tables(problem)
    if job_id not in tables.number_of:
        assert too_long_for_every_shift(problem, job_id) or not problem.job(job_id).place.has_position
        return False
    job = tables.number_of[job_id]
    for slot in tables.slots:
        spot = tables.technicians[slot.technician].id, tables.days[slot.day]
        sequence = base.get(slot.number, ())
        if spots is not None and spot not in spots:
            continue
        for place in range(len(sequence) + 1):
            attempt = {**base, slot.number: (*sequence[:place], job, *sequence[place:])}
            if is_passed(tables, attempt, job_id):
                return True
    return False


def is_passed(tables, attempt, job_id):
    """Whether the referee passes a plan, once a second visit that is owed now has found a place as well."""
    try:
        plan = assemble(tables, attempt, seed=0, versions={}, explained=False)
    except ValueError:
        return False
    broken = check(tables.problem, plan)
    owed = {job.id for job in tables.problem.jobs if job.after and job.after.predecessor_id == job_id}
    if broken and all(one.rule == Rule.LINK and one.job_id in owed for one in broken):
        return all(fits_somewhere(tables.problem, attempt, one) for one in {each.job_id for each in broken})
    return broken == []


def too_long_for_every_shift(problem, job_id):
    longest = max((one.end_s - one.start_s - one.lunch_s for one in problem.shifts), default=0)
    return problem.job(job_id).service_s > longest + problem.settings.overtime_allowed_s


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
    base = assignment_of(build_tables(changed), plan)
    return fits_somewhere(changed, base, one.job_id, {(one.technician_id, one.day)})


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
    without = walk(tables, slot, sequence, -slot.lunch_s)
    if without is not None and without <= min(slot.lunch_earliest_s, slot.start_s + 6 * 3600):
        return without
    starts = range(max(slot.start_s, slot.lunch_earliest_s), slot.lunch_latest_s + 1, 60)
    return min((end for start in starts if (end := walk(tables, slot, sequence, start))), default=None)


def walk(tables, slot, sequence, lunch):
    """Work through the day around a lunch fixed like an appointment; None when the day breaks a rule."""
    over = lunch + slot.lunch_s
    now, row, before = slot.start_s, slot.start_row, None
    for position, job in enumerate(sequence):
        work_s = service_of(tables, before, job)
        here = tables.job_row[job]
        moves = position == 0 or here != row
        if moves:
            now = around(now, tables.drive_s[row][here], lunch, over)
        entry = tables.visit_s if moves else 0
        done = worked(tables, slot, job, now + entry, work_s)
        inside = eaten_inside(tables, slot, job, now + entry, lunch, work_s)
        if inside is not None:
            done = inside
        elif done is None or (now < over and done > lunch):
            done = worked(tables, slot, job, max(now, over) + entry, work_s)
        if done is None:
            return None
        now, row, before = done, here, job
    if sequence:
        now = around(now, tables.drive_s[row][slot.end_row], lunch, over)
    now = max(now, over)
    return now if now <= slot.hard_end_s else None


def eaten_inside(tables, slot, job, ready, lunch, work_s):
    """The end of long work interrupted by lunch, if the site stays open."""
    for early, late in tables.windows[job][slot.day]:
        if ready <= late:
            start = max(ready, early)
            is_long = tables.service_s[job] >= 7200
            if is_long and start <= lunch <= start + work_s and start + slot.lunch_s <= late:
                return start + work_s + slot.lunch_s
            return None
    return None


def around(now, length, lunch, over):
    """Do something of that length before lunch if it ends in time, else after it."""
    return now + length if now + length <= lunch or now >= over else over + length


def service_of(tables, before, job):
    """The work without its set-up right after other work on the same unit."""
    order = tables.jobs[job]
    spares = before is not None and tables.jobs[before].unit_id == order.unit_id and order.unit_id
    return order.service_s - (order.set_up_s if spares else 0)


def worked(tables, slot, job, ready, work_s):
    opening = [(early, late) for early, late in tables.windows[job][slot.day] if ready <= late]
    return max(ready, opening[0][0]) + work_s if opening else None
