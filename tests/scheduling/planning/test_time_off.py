"""Hours off inside a shift: nobody drives, walks in or works then; the checker says so too."""

from dataclasses import replace

import numpy as np
import pytest

from scheduling.planning.checker import Rule, check
from scheduling.planning.planner import plan_week
from scheduling.planning.problem import AccessHours, PlanSettings, Shift
from scheduling.planning.proposal import Reason
from tests.scheduling.planning.small import HOUR, MONDAY, order, person, spot, week

OFF = ((10 * HOUR, 12 * HOUR),)


def ten_orders(off, seed=0, **rest):
    rng = np.random.default_rng(seed)
    orders = [
        order(f"o{number}", spot(f"s{number}", *rng.integers(-25, 26, 2)), minutes=int(rng.integers(10, 80)))
        for number in range(10)
    ]
    return week(
        [person()],
        orders,
        days=(MONDAY,),
        shifts=[Shift("ann", MONDAY, 8 * HOUR, 16 * HOUR, off=off)],
        **rest,
    )


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("settings", [PlanSettings(), PlanSettings(overtime_allowed_s=3600)])
def test_a_plan_leaves_the_hours_off_alone(seed, settings):
    problem = ten_orders(OFF, seed, settings=settings)
    proposal = plan_week(problem, seconds=0.5, seed=1)
    (route,) = proposal.routes
    assert route.stops
    assert check(problem, proposal) == []
    assert all(stop.leave_s <= 10 * HOUR or stop.start_s >= 12 * HOUR for stop in route.stops)
    drives = [(stop.arrive_s - stop.drive_s, stop.arrive_s) for stop in route.stops]
    assert all(end <= 10 * HOUR or begin >= 12 * HOUR for begin, end in drives)


def test_a_plan_that_ignores_the_hours_off_is_caught():
    free = ten_orders(())
    proposal = plan_week(free, seconds=0.5, seed=1)
    assert check(free, proposal) == []
    broken = {one.rule for one in check(ten_orders(OFF), proposal)}
    assert broken & {Rule.TIME_OFF, Rule.DRIVE}


def test_work_longer_than_each_piece_of_the_day_is_said_so():
    problem = week(
        [person()], [order("long", spot("near", 5), minutes=300)], days=(MONDAY,),
        shifts=[Shift("ann", MONDAY, 8 * HOUR, 16 * HOUR, off=((11 * HOUR, 12 * HOUR),))],
    )  # fmt: skip
    (left,) = plan_week(problem, seconds=0.3, seed=1).unplaced
    assert left.reason == Reason.LONGER_THAN_SHIFT
    assert "over 240." in left.text


def test_who_waits_for_a_door_leaves_home_before_or_after_the_hours_off_not_within():
    door = AccessHours(otherwise=((12 * HOUR + 600, 16 * HOUR),))
    problem = week(
        [person()], [order("one", spot("far", 40), last=MONDAY, access=door)], days=(MONDAY,),
        shifts=[Shift("ann", MONDAY, 8 * HOUR, 16 * HOUR, off=OFF)],
    )  # fmt: skip
    proposal = plan_week(problem, seconds=0.3, seed=1)
    assert check(problem, proposal) == []
    (stop,) = proposal.routes[0].stops
    assert stop.arrive_s <= 10 * HOUR or stop.arrive_s - stop.drive_s >= 12 * HOUR


def test_hours_off_that_overlap_are_no_shift():
    shift = Shift("ann", MONDAY, 8 * HOUR, 16 * HOUR)
    with pytest.raises(ValueError, match="overlap"):
        replace(shift, off=((10 * HOUR, 12 * HOUR), (11 * HOUR, 13 * HOUR)))
