"""After an absence and urgent orders: promises stand, due work stays, later work makes room."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from scheduling.planning.checker import check
from scheduling.planning.planner import plan_week
from scheduling.planning.problem import Link, Pin, PinLevel
from scheduling.planning.proposal import ChangeKind, compare
from scheduling.planning.replan import replan
from tests.benchmarks.routes import promises_on, urgent_orders
from tests.benchmarks.synthetic import Size, invented_week
from tests.scheduling.planning.small import HOUR, MONDAY, TUESDAY, WEDNESDAY, order, person, spot, week

NEAR, NORTH = spot("near", 10), spot("north", 0, 12)
LATER = WEDNESDAY + timedelta(days=20)


def planned(problem):
    return plan_week(problem, seconds=1, seed=1, max_iterations=40)


def replanned(problem, published, **rest):
    return replan(problem, published, seconds=1, seed=1, max_iterations=40, **rest)


def without_shift(problem, technician_id, day):
    return replace(
        problem,
        shifts=tuple(one for one in problem.shifts if (one.technician_id, one.day) != (technician_id, day)),
    )


@pytest.mark.parametrize("seed", range(4))
def test_a_sick_call_and_five_urgent_orders_lose_no_promise_and_move_few_due_visits(seed):
    problem = invented_week(Size(5, 3, 130), seed=seed)
    published = planned(problem)
    rng = np.random.default_rng(seed)
    ill = (published.routes[0].technician_id, problem.days[0])
    jobs = promises_on(problem, published, spare=ill, share=0.2, rng=rng)
    now = replace(without_shift(problem, *ill), jobs=(*jobs, *urgent_orders(problem, 5, rng)))
    result = replanned(now, published)
    assert result.lost == ()
    assert result.comparison.promises_moved == 0
    for job in jobs:
        if job.pin is not None:
            route, stop = result.proposal.where(job.id)
            assert (route.technician_id, route.day) == (job.pin.technician_id, job.pin.day)
            assert job.pin.earliest_s <= stop.start_s <= job.pin.latest_s
    before, after = spots(published), spots(result.proposal)
    due = [
        job.id
        for job in jobs
        if job.id in before and before[job.id] != ill and job.pin is None and job.last_day <= problem.days[-1]
    ]
    assert due
    assert sum(after.get(one) == before[one] for one in due) >= 0.95 * len(due)
    assert check(now, result.proposal) == []


def spots(proposal):
    return {stop.job_id: (route.technician_id, route.day) for route, stop in proposal.placements()}


def full_day(*, last):
    return [order(f"o{n}", NEAR, minutes=140, last=last) for n in range(3)]


def test_later_work_makes_room_for_an_urgent_order():
    problem = week([person()], full_day(last=LATER), days=(MONDAY,))
    published = planned(problem)
    assert published.unplaced == ()
    urgent = order("urgent", NEAR, minutes=60, last=MONDAY)
    result = replanned(replace(problem, jobs=(*problem.jobs, urgent)), published)
    assert result.proposal.where("urgent") is not None
    assert len(result.proposal.unplaced) == 1
    kinds = [one.kind for one in result.comparison.changes]
    assert ChangeKind.ADDED in kinds
    assert ChangeKind.DROPPED in kinds


def test_an_absent_persons_promise_is_kept_by_somebody_else_at_the_same_time():
    pin = Pin(PinLevel.PROMISED, MONDAY, "ann", 9 * HOUR, 10 * HOUR)
    problem = week([person("ann"), person("bob")], [order("x", NEAR, pin=pin), order("y", NORTH)])
    published = planned(problem)
    result = replanned(without_shift(problem, "ann", MONDAY), published)
    route, stop = result.proposal.where("x")
    assert (route.technician_id, route.day) == ("bob", MONDAY)
    assert 9 * HOUR <= stop.start_s <= 10 * HOUR
    assert (result.comparison.promises_moved, result.lost) == (0, ())


def test_a_promise_nobody_can_keep_is_named_never_silent():
    pin = Pin(PinLevel.PROMISED, MONDAY, "ann", 9 * HOUR, 10 * HOUR)
    problem = week([person()], [order("x", NEAR, pin=pin), order("y", NORTH)])
    result = replanned(without_shift(problem, "ann", MONDAY), planned(problem))
    assert [one.what for one in result.lost] == ["order x"]
    assert result.lost[0].remedy == "Call the customer."
    assert result.proposal.where("y") is not None


def test_days_people_already_know_stay_as_they_are():
    orders = [order(f"o{n}", spot(f"s{n}", 5 * n), last=LATER) for n in range(6)]
    problem = week([person("ann"), person("bob")], orders)
    published = planned(problem)
    urgent = order("urgent", NEAR, last=TUESDAY, risk_weight=3)
    result = replanned(replace(problem, jobs=(*orders, urgent)), published, frozen_until=WEDNESDAY)
    kept = spots(published)
    assert all(spots(result.proposal)[job_id] == spot_ for job_id, spot_ in kept.items())


def test_a_linked_pair_stays_a_pair_when_its_second_day_falls_ill():
    orders = [order("bed", NEAR), order("flush", NEAR, after=Link("bed", 1, 1))]
    problem = week([person("ann"), person("bob", at=spot("bob's", 40))], orders)
    published = planned(problem)
    second, _ = published.where("flush")
    result = replanned(without_shift(problem, second.technician_id, second.day), published)
    (first, _), (then, _) = result.proposal.where("bed"), result.proposal.where("flush")
    assert (then.day - first.day).days == 1


def test_plan_against_plan_names_what_changed_for_whom_and_the_minutes():
    people = [person("ann"), person("bob")]
    far = planned(
        week(people, [order("x", NEAR, pin=Pin(PinLevel.TECHNICIAN_DAY, MONDAY, "ann")), order("y", NORTH)])
    )
    moved_pin = Pin(PinLevel.TECHNICIAN_DAY, TUESDAY, "bob")
    problem = week(people, [order("x", NEAR, pin=moved_pin), order("y", NORTH)])
    other = planned(problem)
    result = compare(problem, far, other)
    x = next(one for one in result.changes if one.job_id == "x")
    assert x.kind == ChangeKind.DAY
    assert (x.before.technician_id, x.after.technician_id, x.after.day) == ("ann", "bob", TUESDAY)
    assert {"ann", "bob"} >= set(result.technicians) >= {"bob"}
    assert result.drive_saved_min == (far.totals.drive_s - other.totals.drive_s) / 60
    assert compare(problem, other, other).changes == ()


def test_an_hour_lost_of_a_promise_counts_as_a_promise_moved():
    free = week([person()], [order("x", NEAR)])
    old = planned(free)
    pin = Pin(PinLevel.PROMISED, old.where("x")[0].day, "ann", 8 * HOUR, 9 * HOUR)
    promised = week([person()], [order("x", NEAR, pin=pin)])
    late = planned(
        week([person()], [order("x", NEAR, pin=replace(pin, earliest_s=13 * HOUR, latest_s=14 * HOUR))])
    )
    assert compare(promised, old, late).promises_moved == 1
