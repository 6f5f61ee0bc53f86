"""Orders become visits: the cheapest cut, a unit's work in order, unsafe water before all that can wait."""

import random
from dataclasses import replace
from datetime import timedelta

import pytest

from scheduling.planning.checker import Rule, check
from scheduling.planning.grouping import _best_cut, _visit_s, as_visits, second_visits
from scheduling.planning.planner import plan_week
from scheduling.planning.problem import Pin, PinLevel, PlanSettings
from scheduling.planning.tables import build_tables
from tests.scheduling.planning.small import HOUR, MONDAY, TUESDAY, WEDNESDAY, order, person, spot, week

LONG = tuple(MONDAY + timedelta(days=days) for days in range(10))
PRICES = PlanSettings(disturbance=10)


def every_cut(jobs):
    """All ways to put things into groups, neighbours or not."""
    if not jobs:
        yield []
        return
    first, rest = jobs[0], jobs[1:]
    for cut in every_cut(rest):
        yield [(first,), *cut]
        for at, group in enumerate(cut):
            yield [*cut[:at], (first, *group), *cut[at + 1 :]]


@pytest.mark.parametrize("seed", range(12))
def test_the_cut_into_visits_costs_no_more_than_any_other(seed):
    lot = random.Random(seed)
    site = spot("site", 20, 5)
    orders = []
    for number in range(6):
        last = LONG[lot.randrange(1, 10)] + timedelta(days=lot.choice((0, 0, 30)))
        orders.append(
            order(
                f"w{number}", site, first=LONG[0], last=last, minutes=lot.choice((20, 40)),
                waste_s_per_day=lot.choice((0.0, 60.0, 400.0)), unit_id=lot.choice(("u1", "u2")),
                best_by=max(LONG[0], last - timedelta(days=lot.choice((0, 9)))), set_up_s=600,
            )
        )  # fmt: skip
    other = order("far", spot("other", 40, 0))
    tables = build_tables(week([person()], [*orders, other], days=LONG, settings=PRICES))
    jobs = [tables.number_of[one.id] for one in orders]
    ours = sum(_visit_s(tables, group) for group in _best_cut(tables, jobs))
    best = min(sum(_visit_s(tables, group) for group in cut) for cut in every_cut(jobs))
    # Neighbours only is what the theorem promises for penalties that rise from one best day; ours also allow
    # leaving an order for a later plan, which may cost a little.
    assert best <= ours <= best * 1.05


def test_one_visit_does_all_of_a_unit_with_one_set_up_and_its_pre_filters_first():
    site = spot("site", 30, 0)
    known = {"unit_id": "u", "set_up_s": 600}
    membrane = order("a", site, first=MONDAY, last=MONDAY, step=6, **known)
    sediment = order("b", site, first=MONDAY, last=LONG[9], step=1, waste_s_per_day=20.0, **known)
    beside = order("c", site, first=MONDAY, last=LONG[5], unit_id="v", set_up_s=600)
    plan = plan_week(
        week([person()], [membrane, beside, sediment], days=LONG, settings=PRICES),
        seconds=1, seed=1, max_iterations=50,
    )  # fmt: skip
    (route,) = plan.routes
    assert route.job_ids in {("b", "a", "c"), ("c", "b", "a")}
    assert sum(stop.leave_s - stop.start_s for stop in route.stops) == 90 * 60 - 600
    assert plan.totals.second_visits == 0
    assert plan.totals.grouping_saved_min > 0


def test_work_whose_wasted_life_costs_more_than_a_trip_stays_for_later():
    site = spot("site", 10, 0)
    due = order("due", site, first=MONDAY, last=TUESDAY)
    far = order("far", site, first=MONDAY, last=MONDAY + timedelta(days=60), waste_s_per_day=120.0)
    groups = as_visits(week([person()], [due, far])).groups
    assert len(groups) == 2
    cheap = replace(far, waste_s_per_day=5.0)
    assert as_visits(week([person()], [due, cheap])).groups == ((0, 1),)


def unsafe_week(*, promised=None):
    unsafe = [
        order(f"flush{number}", spot(f"s{number}", 35, 9 * number), minutes=20, last=TUESDAY, is_unsafe=True)
        for number in range(5)
    ]
    waiting = [
        order(f"wait{number}", spot(f"s{number}", 3 * number + 2, 4), minutes=50, last=MONDAY)
        for number in range(5, 12)
    ]
    return week([person("ann"), person("bob")], [*waiting, *unsafe, *([promised] if promised else [])])


@pytest.mark.parametrize("use_solver", [True, False])
def test_unsafe_water_goes_before_all_that_can_wait(use_solver):
    problem = unsafe_week()
    plan = plan_week(problem, seconds=1, seed=1, max_iterations=50, use_solver=use_solver)
    for route in plan.routes:
        flushes = [job_id.startswith("flush") for job_id in route.job_ids]
        assert flushes == sorted(flushes, reverse=True)
    first_day = [stop.job_id for route, stop in plan.placements() if route.day == MONDAY]
    assert {f"flush{number}" for number in range(5)} <= set(first_day)
    why = next(stop.why for _, stop in plan.placements() if stop.job_id == "flush0")
    assert "first possible hour" in why


def test_only_a_promised_hour_goes_before_unsafe_water():
    early = Pin(PinLevel.PROMISED, MONDAY, "ann", 8 * HOUR, 9 * HOUR)
    promised = order("promise", spot("p", 6, 0), minutes=30, pin=early)
    plan = plan_week(unsafe_week(promised=promised), seconds=1, seed=1, max_iterations=50)
    route, stop = plan.where("promise")
    assert (route.day, route.technician_id) == (MONDAY, "ann")
    assert 8 * HOUR <= stop.start_s <= 9 * HOUR


def test_the_referee_finds_unsafe_water_that_waits():
    problem = unsafe_week()
    calm = replace(problem, jobs=tuple(replace(job, is_unsafe=False) for job in problem.jobs))
    plan = plan_week(calm, seconds=1, seed=1, max_iterations=50)
    assert Rule.UNSAFE in {one.rule for one in check(problem, plan, is_ours=True)}
    assert not check(problem, plan)  # a person may decide so


def test_visits_that_come_again_are_counted_site_by_site():
    assert second_visits([("a", MONDAY), ("b", MONDAY), ("a", WEDNESDAY), ("a", WEDNESDAY)]) == 2
    assert second_visits([("a", MONDAY), ("a", MONDAY + timedelta(days=15))]) == 0
