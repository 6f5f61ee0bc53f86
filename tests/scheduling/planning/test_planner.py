"""The week's plan on cases small enough to know the answer."""

from dataclasses import replace
from datetime import timedelta

import pytest

from scheduling.planning.planner import assignment_of, plan_week
from scheduling.planning.problem import AccessHours, Link, Pin, PinLevel, PlanSettings, Shift
from scheduling.planning.tables import build_tables
from scheduling.planning.timing import plan_cost_s
from tests.benchmarks.synthetic import Size, invented_week
from tests.scheduling.planning.small import HOUR, MONDAY, TUESDAY, WEDNESDAY, order, person, spot, week

NEAR = spot("near", 10)


def planned(problem, **rest):
    return plan_week(problem, seconds=1, seed=1, max_iterations=60, **rest)


@pytest.mark.parametrize("use_solver", [True, False])
def test_orders_at_one_site_travel_together(use_solver):
    sites = [spot("east", 30), spot("west", -30)]
    orders = [order(f"{site.id} {n}", site) for n in range(3) for site in sites]
    plan = planned(week([person("ann"), person("bob")], orders), use_solver=use_solver)
    assert plan.unplaced == ()
    assert plan.totals.visits == 2
    assert plan.totals.drive_s == 120 * 60


@pytest.mark.parametrize("use_solver", [True, False])
def test_the_riskier_order_is_done_in_time_when_only_one_can_be(use_solver):
    orders = [
        order(name, NEAR, minutes=300, last=MONDAY, risk_weight=risk) for name, risk in (("a", 1), ("b", 3))
    ]
    plan = planned(week([person()], orders), use_solver=use_solver)
    assert plan.where("b")[0].day == MONDAY
    assert plan.where("a")[1].late_days == 1
    assert "late" in plan.where("a")[1].why


def test_bed_overnight_and_flush_the_next_day_by_the_same_person():
    orders = [
        order("bed", NEAR, minutes=60),
        order("flush", NEAR, minutes=45, after=Link("bed", 1, 1)),
        *[order(f"o{n}", spot(f"s{n}", n * 7 % 30, n * 5 % 20)) for n in range(12)],
    ]
    plan = planned(week([person("ann"), person("bob", at=spot("north", 0, 15))], orders))
    (first, _), (second, stop) = plan.where("bed"), plan.where("flush")
    assert second.day - first.day == timedelta(days=1)
    assert second.technician_id == first.technician_id
    assert "second visit, 1 d after order bed, same technician" in stop.why


def test_the_preferred_technician_goes_unless_it_costs_more_than_a_quarter_of_an_hour():
    near_bob = spot("site", 20)
    people = [person("ann"), person("bob", at=spot("bob's", 14))]
    jobs = [order("x", near_bob, preferred_technician_id="ann")]
    assert planned(week(people, jobs)).routes[0].technician_id == "bob"  # 28 min less driving
    closer = [people[0], person("bob", at=spot("bob's", 5))]
    assert planned(week(closer, jobs)).routes[0].technician_id == "ann"  # 10 min less driving


def test_pins_hold_even_where_another_place_is_cheaper():
    people = [person("ann"), person("bob", at=spot("far off", 90))]
    pin = Pin(PinLevel.PROMISED, TUESDAY, "bob", 10 * HOUR, 11 * HOUR)
    plan = planned(week(people, [order("x", NEAR, pin=pin), order("y", NEAR)]))
    route, stop = plan.where("x")
    assert (route.technician_id, route.day) == ("bob", TUESDAY)
    assert 10 * HOUR <= stop.start_s <= 11 * HOUR
    assert stop.why.startswith("promised to the customer")


def test_two_openings_in_a_day_are_both_used():
    access = AccessHours(otherwise=((8 * HOUR, 10 * HOUR), (14 * HOUR, 15 * HOUR + 1800)))
    plan = planned(
        week([person()], [order(f"o{n}", NEAR, minutes=80, access=access) for n in range(2)], days=(MONDAY,))
    )
    assert [stop.start_s // HOUR for stop in plan.routes[0].stops] == [8, 14]


def test_overtime_is_bought_only_when_it_is_worth_it():
    orders = [order(f"o{n}", NEAR, minutes=150, last=MONDAY) for n in range(3)]
    settings = PlanSettings(overtime_allowed_s=HOUR, overtime=3)
    plan = planned(week([person()], orders, days=(MONDAY,), settings=settings))
    assert plan.totals.overtime_s == 28 * 60  # 450 work + 20 drive + 8 in + 30 lunch - 480
    dear = replace(settings, overtime=100)
    assert planned(week([person()], orders, days=(MONDAY,), settings=dear)).totals.overtime_s == 0


def test_fairness_evens_the_days_out_when_it_has_a_price():
    orders = [order(f"o{n}", NEAR, minutes=60) for n in range(6)]
    people = [person("ann"), person("bob")]
    lopsided = planned(week(people, orders, days=(MONDAY,)))
    assert len(lopsided.routes) == 1
    even = planned(week(people, orders, days=(MONDAY,), settings=PlanSettings(fairness=1.0)))
    assert sorted(len(route.stops) for route in even.routes) == [3, 3]


def test_the_day_starts_where_the_technician_is():
    shift = Shift("ann", MONDAY, 12 * HOUR, 16 * HOUR, 0, start_place=NEAR)
    plan = planned(week([person()], [order("x", spot("next", 11))], shifts=[shift], days=(MONDAY,)))
    assert plan.routes[0].start_place_id == "near"
    assert plan.routes[0].stops[0].drive_s == 60


def test_nobody_leaves_home_to_wait_at_a_closed_door():
    access = AccessHours(otherwise=((9 * HOUR + 1800, 12 * HOUR),))
    route = planned(week([person()], [order("x", NEAR, access=access)])).routes[0]
    assert route.stops[0].start_s == 9 * HOUR + 1800
    assert route.start_s == 9 * HOUR + 1800 - 18 * 60


def test_the_stated_price_is_the_price_list_by_hand():
    """Two visits 10 and 20 min away in line, one a day late: 40 driving + 2 x 8 + 240."""
    orders = [
        order("a", NEAR),
        order("b", spot("on", 20), last=MONDAY - timedelta(1), first=MONDAY - timedelta(2)),
    ]
    assert planned(week([person()], orders)).totals.cost_min == 40 + 16 + 240


def test_the_same_seed_gives_the_same_plan_and_the_hash_follows_the_inputs():
    problem = invented_week(Size(4, 3, 160), seed=5)
    first = plan_week(problem, seconds=1, seed=7, max_iterations=15)
    assert plan_week(problem, seconds=1, seed=7, max_iterations=15) == first
    assert first.inputs_hash == problem.inputs_hash()
    changed = replace(problem, jobs=(replace(problem.jobs[0], service_s=1), *problem.jobs[1:]))
    assert changed.inputs_hash() != problem.inputs_hash()
    assert invented_week(Size(4, 3, 160), seed=5).inputs_hash() == problem.inputs_hash()


def test_every_order_of_an_invented_week_is_placed_or_explained_and_the_solver_beats_plain_insertion():
    problem = invented_week(Size(4, 3, 160), seed=2)
    with_solver = plan_week(problem, seconds=1, seed=1, max_iterations=100)
    without = plan_week(problem, seconds=1, seed=1, use_solver=False)
    for plan in (with_solver, without):
        assert all(one.text and one.remedy for one in plan.unplaced)
        assert all(stop.why for _, stop in plan.placements())
        tables = build_tables(problem)
        assert plan.totals.cost_min == round(plan_cost_s(tables, assignment_of(tables, plan)) / 60, 1)
    assert with_solver.totals.cost_min < without.totals.cost_min


def test_cancelling_returns_the_best_plan_so_far_and_progress_only_grows():
    heard = []
    problem = invented_week(Size(4, 3, 160), seed=2)
    plan = plan_week(
        problem,
        seconds=60,
        seed=1,
        on_progress=lambda share, words: heard.append(share),
        should_stop=lambda: len(heard) >= 3,
    )
    assert plan.totals.placed > 0
    assert heard == sorted(heard)
    assert heard[-1] == 1.0


def test_long_work_is_planned_with_lunch_on_the_spot():
    plan = planned(week([person()], [order("x", NEAR, minutes=400)], days=(MONDAY,)))
    stop, lunch = plan.routes[0].stops[0], plan.routes[0].lunch
    assert stop.start_s < lunch[0] < lunch[1] < stop.leave_s
    assert stop.leave_s - stop.start_s == 430 * 60


def test_who_is_back_before_the_hours_of_lunch_has_none_on_the_plan():
    short = planned(week([person()], [order("x", NEAR, minutes=60)], days=(MONDAY,))).routes[0]
    assert short.lunch is None
    assert short.end_s == 8 * HOUR + (10 + 8 + 60 + 10) * 60
    longer = planned(week([person()], [order("x", NEAR, minutes=200)], days=(MONDAY,))).routes[0]
    assert longer.lunch is not None


def test_two_weeks_skip_the_days_nobody_works():
    days = tuple(MONDAY + timedelta(days=offset) for offset in (0, 1, 7, 8))
    jobs = [order("x", NEAR, first=WEDNESDAY, last=MONDAY + timedelta(days=8))]
    assert planned(week([person()], jobs, days=days)).where("x")[0].day >= MONDAY + timedelta(days=7)


def test_a_few_orders_do_not_take_the_time_that_was_allowed():
    problem = week([person("ann"), person("bob")], [order("a", NEAR), order("b", spot("far", 40))])
    words = []
    plan = plan_week(problem, seconds=600, seed=1, on_progress=lambda share, text: words.append(text))
    assert plan.unplaced == ()
    assert plan.totals.drive_s == pytest.approx(plan_week(problem, seconds=5, seed=2).totals.drive_s)
    assert sum("improving" in text for text in words) < 20
