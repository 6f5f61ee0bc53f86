"""The referee catches every planted fault, each by its own rule."""

from dataclasses import replace
from datetime import timedelta

import pytest

from scheduling.planning.checker import Rule, check
from scheduling.planning.planner import plan_week
from scheduling.planning.problem import AccessHours, Link, Pin, PinLevel, Shift
from scheduling.planning.proposal import Proposal, Route, Stop
from tests.scheduling.planning.small import DEPOT, HOUR, MONDAY, TUESDAY, order, person, spot, week

NEAR, FAR = spot("near", 10), spot("far", 25)


def good():
    ann = person(skills={"a"}, van_stock={"membrane": 1})
    orders = [
        order("one", NEAR, skills=frozenset({"a"}), parts={"membrane": 1}),
        order("two", FAR, access=AccessHours(otherwise=((9 * HOUR, 15 * HOUR),))),
    ]
    problem = week([ann], orders, days=(MONDAY, TUESDAY))
    route = Route(
        technician_id="ann",
        day=MONDAY,
        start_place_id=DEPOT.id,
        end_place_id=DEPOT.id,
        start_s=8 * HOUR,
        end_s=11 * HOUR + 2700,
        drive_s=50 * 60,
        distance_m=50_000,
        stops=(
            Stop("one", "near", 8 * HOUR + 600, 8 * HOUR + 1080, 8 * HOUR + 2880, 600, 10_000),
            Stop("two", "far", 8 * HOUR + 3780, 9 * HOUR + 660, 9 * HOUR + 2460, 900, 15_000),
        ),
        lunch=(11 * HOUR + 900, 11 * HOUR + 2700),
    )
    return problem, Proposal(("one", "two"), (route,), ())


def broken_rules(problem, proposal):
    return {one.rule for one in check(problem, proposal)}


def test_a_good_plan_passes():
    assert check(*good()) == []


def with_route(proposal, **changes):
    return replace(proposal, routes=(replace(proposal.routes[0], **changes),))


def with_stop(proposal, position, **changes):
    stops = list(proposal.routes[0].stops)
    stops[position] = replace(stops[position], **changes)
    return with_route(proposal, stops=tuple(stops))


def with_job(problem, job_id, **changes):
    jobs = tuple(replace(job, **changes) if job.id == job_id else job for job in problem.jobs)
    return replace(problem, jobs=jobs)


@pytest.mark.parametrize(
    ("rule", "spoil"),
    [
        (Rule.SHIFT, lambda p, q: (p, with_route(q, start_s=8 * HOUR - 60))),
        (Rule.SHIFT, lambda p, q: (p, with_route(q, end_s=17 * HOUR))),
        (Rule.SHIFT, lambda p, q: (p, with_route(q, day=MONDAY + timedelta(days=5)))),
        (Rule.SHIFT, lambda p, q: (p, with_route(q, end_place_id="near"))),
        (Rule.SHIFT, lambda p, q: (p, with_route(q, overtime_s=60))),
        (Rule.DRIVE, lambda p, q: (p, with_stop(q, 1, arrive_s=8 * HOUR + 3700))),
        (Rule.DRIVE, lambda p, q: (p, with_route(q, drive_s=1))),
        (Rule.DRIVE, lambda p, q: (p, with_route(q, end_s=10 * HOUR, lunch=None))),
        (Rule.WALK_IN, lambda p, q: (p, with_stop(q, 0, arrive_s=8 * HOUR + 1079))),
        (Rule.SERVICE, lambda p, q: (p, with_stop(q, 1, leave_s=9 * HOUR + 2459))),
        (Rule.LUNCH, lambda p, q: (p, with_route(q, lunch=None))),
        (Rule.LUNCH, lambda p, q: (p, with_route(q, lunch=(11 * HOUR + 900, 11 * HOUR + 2000)))),
        (Rule.LUNCH, lambda p, q: (p, with_route(q, lunch=(9 * HOUR, 9 * HOUR + 1800)))),
        (Rule.LUNCH, lambda p, q: (p, with_route(q, end_s=11 * HOUR))),
        (Rule.WINDOW, lambda p, q: (with_job(p, "one", first_day=TUESDAY), q)),
        (
            Rule.LATENESS,
            lambda p, q: (
                with_job(p, "one", first_day=MONDAY - timedelta(9), last_day=MONDAY - timedelta(2)),
                q,
            ),
        ),
        (
            Rule.ACCESS,
            lambda p, q: (
                with_job(p, "two", access=AccessHours(otherwise=((9 * HOUR + 700, 15 * HOUR),))),
                q,
            ),
        ),
        (Rule.ACCESS, lambda p, q: (with_job(p, "two", access=AccessHours(by_date={MONDAY: ()})), q)),
        (Rule.SKILL, lambda p, q: (with_job(p, "one", skills=frozenset({"b"})), q)),
        (Rule.PARTS, lambda p, q: (with_job(p, "two", parts={"membrane": 1}), q)),
        (
            Rule.VAN_SPACE,
            lambda p, q: (
                replace(
                    with_job(p, "one", van_space=3), technicians=(replace(p.technicians[0], van_space=2),)
                ),
                q,
            ),
        ),
        (Rule.LINK, lambda p, q: (with_job(p, "two", after=Link("one")), q)),
        (Rule.PIN, lambda p, q: (with_job(p, "one", pin=Pin(PinLevel.DAY, TUESDAY)), q)),
        (
            Rule.PIN,
            lambda p, q: (
                with_job(p, "one", pin=Pin(PinLevel.PROMISED, MONDAY, "ann", 9 * HOUR, 10 * HOUR)),
                q,
            ),
        ),
        (Rule.PIN, lambda p, q: (with_job(p, "one", pin=Pin(PinLevel.TECHNICIAN_DAY, MONDAY, "bob")), q)),
        (Rule.EACH_ONCE, lambda p, q: (replace(p, jobs=(*p.jobs, order("three", NEAR))), q)),
    ],
)
def test_each_fault_is_caught_by_its_rule(rule, spoil):
    assert rule in broken_rules(*spoil(*good()))


def test_work_through_lunch_is_caught():
    problem, proposal = good()
    spoilt = with_stop(proposal, 1, start_s=11 * HOUR + 1000, leave_s=11 * HOUR + 2800)
    assert Rule.LUNCH in broken_rules(problem, spoilt)


def test_a_day_over_before_lunch_hours_needs_no_lunch_unless_it_was_long():
    problem, proposal = good()
    home = 9 * HOUR + 2460 + 1500
    assert broken_rules(problem, with_route(proposal, end_s=home, lunch=None)) == set()
    early = replace(problem, shifts=(Shift("ann", MONDAY, 4 * HOUR, 16 * HOUR),))
    long_day = with_route(proposal, start_s=4 * HOUR, end_s=home, lunch=None)
    assert broken_rules(early, long_day) == {Rule.LUNCH}


def test_long_work_may_pause_for_lunch_and_short_work_may_not():
    for minutes, fault in ((330, False), (100, True)):
        problem = week([person()], [order("x", NEAR, minutes=minutes)], days=(MONDAY,))
        start, lunch = 11 * HOUR, (11 * HOUR + 900, 11 * HOUR + 2700)
        leave = start + (minutes + 30) * 60
        stop = Stop("x", "near", start - 480, start, leave, 600, 10_000)
        long_day = replace(problem, shifts=(Shift("ann", MONDAY, 8 * HOUR, 19 * HOUR),))
        route = Route("ann", MONDAY, "depot", "depot", 8 * HOUR, leave + 600, 1200, 20_000, (stop,), lunch)
        assert (Rule.LUNCH in broken_rules(long_day, Proposal(("x",), (route,), ()))) == fault


def test_leaving_out_the_second_visit_is_caught():
    ann = person()
    problem = week([ann], [order("one", NEAR), order("two", NEAR, after=Link("one"))])
    plan = plan_week(problem, seconds=1, seed=1, max_iterations=20)
    assert plan.where("two")[0].day - plan.where("one")[0].day == timedelta(days=1)
    routes = tuple(
        replace(route, stops=tuple(stop for stop in route.stops if stop.job_id != "two"))
        for route in plan.routes
    )
    left_out = replace(plan, job_ids=("one",), routes=routes)
    assert Rule.LINK in broken_rules(problem, left_out)


def test_a_proposal_that_loses_an_order_can_not_be_made():
    _, proposal = good()
    with pytest.raises(ValueError, match="all orders"):
        replace(proposal, job_ids=("one", "two", "three"))
    with pytest.raises(ValueError, match="two routes"):
        replace(
            proposal, job_ids=("one", "two"), routes=(*proposal.routes, replace(proposal.routes[0], stops=()))
        )


def test_a_missing_shift_is_absence():
    problem, proposal = good()
    away = replace(problem, shifts=(Shift("ann", TUESDAY, 8 * HOUR, 16 * HOUR),))
    assert broken_rules(away, proposal) == {Rule.SHIFT}
