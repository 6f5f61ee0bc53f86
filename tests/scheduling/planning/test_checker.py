"""The referee catches every planted fault, each by its own rule."""

from dataclasses import replace
from datetime import timedelta

import pytest

from scheduling.planning.checker import Rule, check
from scheduling.planning.planner import plan_week
from scheduling.planning.problem import (
    NO_LUNCH_UP_TO_S,
    AccessHours,
    Link,
    Pin,
    PinLevel,
    PlanSettings,
    Shift,
)
from scheduling.planning.proposal import Proposal, Reason, Route, Stop, Unplaced
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


# --- each rule at its edge: the last that keeps it, the first that breaks it ---

START_S, LEAVE_S = 9 * HOUR + 660, 9 * HOUR + 2460
"""Work of the good plan's second stop."""


def edge(rule, kept, broken):
    """Check that a rule is silent about the first pair of problem and proposal, not about the second."""
    assert rule not in broken_rules(*kept)
    assert rule in broken_rules(*broken)


@pytest.mark.parametrize("wrong_s", [-1, 1, 600, -600])
def test_driving_is_neither_overstated_nor_understated(wrong_s):
    problem, proposal = good()
    whole = proposal.routes[0].drive_s
    assert broken_rules(problem, with_route(proposal, drive_s=whole + wrong_s)) == {Rule.DRIVE}
    for position, stop in enumerate(proposal.routes[0].stops):
        spoilt = with_stop(proposal, position, drive_s=stop.drive_s + wrong_s)
        assert broken_rules(problem, spoilt) == {Rule.DRIVE}


def test_a_second_less_than_the_drive_is_too_early():
    problem, proposal = good()
    edge(Rule.DRIVE, (problem, proposal), (problem, with_stop(proposal, 1, arrive_s=8 * HOUR + 3779)))
    edge(Rule.DRIVE, (problem, proposal), (problem, with_stop(proposal, 0, arrive_s=8 * HOUR + 599)))
    home = LEAVE_S + 1500
    edge(
        Rule.DRIVE,
        (problem, with_route(proposal, end_s=home, lunch=None)),
        (problem, with_route(proposal, end_s=home - 1, lunch=None)),
    )


def test_lunch_on_the_way_is_no_time_to_drive_walk_in_or_work():
    problem, proposal = good()
    home = LEAVE_S + 1500
    for rule, lunch in (
        (Rule.DRIVE, (LEAVE_S, LEAVE_S + 60)),
        (Rule.DRIVE, (home - 60, home)),
        (Rule.DRIVE, (8 * HOUR + 2880, 8 * HOUR + 3780)),
        (Rule.WALK_IN, (8 * HOUR + 3780, START_S)),
        (Rule.WALK_IN, (START_S - 60, START_S)),
        (Rule.SERVICE, (START_S, START_S + 60)),
        (Rule.SERVICE, (LEAVE_S - 60, LEAVE_S)),
    ):
        assert rule in broken_rules(problem, with_route(proposal, lunch=lunch, end_s=home)), lunch


def test_a_day_without_a_stop_states_no_driving():
    problem, proposal = good()
    idle = replace(proposal.routes[0], end_s=9 * HOUR, lunch=None, stops=())
    edge(
        Rule.DRIVE,
        (problem, Proposal((), (replace(idle, drive_s=0),), ())),
        (problem, Proposal((), (replace(idle, drive_s=1),), ())),
    )


def test_work_takes_exactly_its_time():
    problem, proposal = good()
    for leave_s in (LEAVE_S - 1, LEAVE_S + 1):
        assert broken_rules(problem, with_stop(proposal, 1, leave_s=leave_s)) == {Rule.SERVICE}


def test_a_stop_elsewhere_than_its_order_is_caught():
    problem, proposal = good()
    assert broken_rules(problem, with_stop(proposal, 1, place_id="near")) == {Rule.DRIVE}


def at_one_place(place, walks_in_again_s=0, first_walk_s=480):
    """Two orders at a place, one after the other, the day over before lunch."""
    drive = 0 if place == DEPOT else 600
    begins = 8 * HOUR + drive + first_walk_s
    second = begins + 1800 + walks_in_again_s
    stops = (
        Stop("one", place.id, 8 * HOUR + drive, begins, begins + 1800, drive, 1000),
        Stop("two", place.id, begins + 1800, second, second + 1800, 0, 0, same_visit=True),
    )
    route = Route("ann", MONDAY, "depot", "depot", 8 * HOUR, second + 1800 + drive, 2 * drive, 2000, stops)
    return week([person()], [order("one", place), order("two", place)]), Proposal(
        ("one", "two"), (route,), ()
    )


@pytest.mark.parametrize("place", [NEAR, DEPOT])
def test_walking_in_is_paid_once_at_a_site_and_also_beside_the_depot(place):
    assert check(*at_one_place(place)) == []
    assert broken_rules(*at_one_place(place, first_walk_s=479)) == {Rule.WALK_IN}
    assert broken_rules(*at_one_place(place, first_walk_s=0)) == {Rule.WALK_IN}


def test_the_day_lies_inside_the_shift_with_the_overtime_allowed_and_stated():
    problem, proposal = good()
    end_s = proposal.routes[0].end_s

    def shift(start_s=8 * HOUR, ends_s=end_s, allowed=0):
        settings = PlanSettings(overtime_allowed_s=allowed)
        return replace(problem, shifts=(Shift("ann", MONDAY, start_s, ends_s),), settings=settings)

    assert check(shift(), proposal) == []
    edge(Rule.SHIFT, (shift(), proposal), (shift(start_s=8 * HOUR + 1), proposal))
    stated = with_route(proposal, overtime_s=60)
    edge(
        Rule.SHIFT,
        (shift(ends_s=end_s - 60, allowed=60), stated),
        (shift(ends_s=end_s - 60, allowed=59), stated),
    )
    for other in (59, 61, 0):
        misstated = with_route(proposal, overtime_s=other)
        assert broken_rules(shift(ends_s=end_s - 60, allowed=60), misstated) == {Rule.SHIFT}
    assert broken_rules(problem, with_route(proposal, overtime_s=1)) == {Rule.SHIFT}


def test_a_day_starts_where_the_shift_or_else_the_technician_starts():
    problem, proposal = good()
    elsewhere = week(
        problem.technicians, problem.jobs,
        days=problem.days, shifts=[Shift("ann", MONDAY, 8 * HOUR, 16 * HOUR, start_place=NEAR)],
    )  # fmt: skip
    assert Rule.SHIFT in broken_rules(elsewhere, proposal)
    assert Rule.SHIFT not in broken_rules(elsewhere, with_route(proposal, start_place_id="near"))
    assert Rule.SHIFT in broken_rules(problem, with_route(proposal, start_place_id="near"))


@pytest.mark.parametrize("missing", ["shift", "day"])
def test_a_day_nobody_works_is_told_with_whom_and_when_and_the_rest_is_still_judged(missing):
    problem, proposal = good()
    problem = with_job(problem, "one", pin=Pin(PinLevel.DAY, TUESDAY))
    if missing == "shift":
        problem = replace(problem, shifts=(Shift("ann", TUESDAY, 8 * HOUR, 16 * HOUR),))
    else:
        problem = replace(problem, days=(TUESDAY,))
    told = [one for one in check(problem, proposal) if one.rule == Rule.SHIFT]
    assert [(one.technician_id, one.day, one.job_id) for one in told] == [("ann", MONDAY, None)]
    assert broken_rules(problem, proposal) == {Rule.SHIFT, Rule.PIN}


def test_a_fault_is_told_with_order_technician_and_day():
    problem, proposal = good()
    (told,) = check(with_job(problem, "two", skills=frozenset({"b", "c"})), proposal)
    assert (told.rule, told.job_id, told.technician_id, told.day) == (Rule.SKILL, "two", "ann", MONDAY)
    assert told.text == "lacks b, c"


def test_every_order_appears_once_placed_or_left_out_and_no_other():
    problem, proposal = good()
    left = Unplaced("three", Reason.COSTS_MORE, "")
    with_left = replace(proposal, job_ids=("one", "two", "three"), unplaced=(left,))
    asked = replace(problem, jobs=(*problem.jobs, order("three", NEAR)))
    edge(Rule.EACH_ONCE, (asked, with_left), (problem, with_left))
    assert {one.job_id for one in check(asked, proposal)} == {"three"}
    assert {one.job_id for one in check(problem, with_left)} == {"three"}


@pytest.mark.parametrize(
    ("lunch", "is_kept"),
    [
        ((11 * HOUR + 900, 11 * HOUR + 2700), True),
        ((11 * HOUR + 899, 11 * HOUR + 2700), False),
        ((13 * HOUR + 1800, 14 * HOUR), True),
        ((13 * HOUR + 1801, 14 * HOUR + 1), False),
        ((12 * HOUR, 12 * HOUR + 1800), True),
        ((12 * HOUR, 12 * HOUR + 1799), False),
        ((12 * HOUR, 13 * HOUR), True),
    ],
)
def test_lunch_is_long_enough_and_begins_within_its_hours(lunch, is_kept):
    problem, proposal = good()
    laid = with_route(proposal, lunch=lunch, end_s=15 * HOUR)
    assert (Rule.LUNCH not in broken_rules(problem, laid)) == is_kept


def test_lunch_lies_inside_the_day():
    problem, proposal = good()
    end_s = proposal.routes[0].end_s
    edge(Rule.LUNCH, (problem, proposal), (problem, with_route(proposal, end_s=end_s - 1)))
    late = replace(problem, shifts=(Shift("ann", MONDAY, 12 * HOUR, 20 * HOUR),))
    day = {"start_s": 12 * HOUR + 1, "end_s": 18 * HOUR}
    edge(
        Rule.LUNCH,
        (late, with_route(proposal, lunch=(12 * HOUR + 1, 12 * HOUR + 1801), **day)),
        (late, with_route(proposal, lunch=(12 * HOUR, 12 * HOUR + 1800), **day)),
    )


def test_a_shift_without_lunch_asks_for_none():
    problem, proposal = good()
    without = replace(problem, shifts=(Shift("ann", MONDAY, 8 * HOUR, 16 * HOUR, lunch_s=0),))
    assert check(without, with_route(proposal, lunch=None)) == []


@pytest.mark.parametrize(
    ("shift", "start_s", "end_s", "needs"),
    [
        # Over when lunch hours begin, and not long.
        ((8, 16), 8 * HOUR, 11 * HOUR + 900, False),
        ((8, 16), 8 * HOUR, 11 * HOUR + 901, True),
        ((4, 16), 11 * HOUR + 900 - NO_LUNCH_UP_TO_S, 11 * HOUR + 900, False),
        ((4, 16), 11 * HOUR + 899 - NO_LUNCH_UP_TO_S, 11 * HOUR + 900, True),
        # A shift beside the usual hours: its own middle counts.
        ((14, 22), 14 * HOUR, 17 * HOUR + 2700, False),
        ((14, 22), 14 * HOUR, 17 * HOUR + 2701, True),
        # A shift that just touches the usual hours at either end.
        ((13.5, 21.5), 13 * HOUR + 1800, 14 * HOUR, True),
        ((5, 11.75), 5 * HOUR + 1800, 11 * HOUR + 900, False),
        ((5, 11.75), 5 * HOUR + 1800, 11 * HOUR + 901, True),
        ((5, 11.74), 6 * HOUR, 11 * HOUR + 900, True),
    ],
)
def test_a_day_without_lunch_is_short_and_over_before_lunch_hours(shift, start_s, end_s, needs):
    problem, proposal = good()
    begins, ends = (round(hours * HOUR) for hours in shift)
    there = replace(problem, shifts=(Shift("ann", MONDAY, begins, ends),))
    idle = replace(proposal, job_ids=(), routes=(), unplaced=())
    day = replace(proposal.routes[0], start_s=start_s, end_s=end_s, lunch=None, stops=())
    assert (Rule.LUNCH in broken_rules(there, replace(idle, routes=(day,)))) == needs


def test_an_odd_shift_may_pause_at_any_hour_and_one_at_the_edge_may_not():
    problem, proposal = good()
    for begins, is_kept in ((13 * HOUR + 1800, False), (13 * HOUR + 1801, True)):
        late = replace(problem, shifts=(Shift("ann", MONDAY, begins, 22 * HOUR),))
        day = replace(
            proposal.routes[0], start_s=begins, end_s=20 * HOUR, lunch=(17 * HOUR, 18 * HOUR), stops=()
        )
        assert (Rule.LUNCH not in broken_rules(late, Proposal((), (day,), ()))) == is_kept


@pytest.mark.parametrize(
    ("minutes", "lunch_at_s", "pause_s", "is_kept"),
    [
        (120, 0, 1800, True), (120, 3600, 1800, True), (120, 7200, 1800, True), (119, 3600, 1800, False),
        (120, -60, 1800, False), (120, 7260, 1800, False),
        (120, 7200, 0, True), (30, -1800, 0, True), (30, 1800, 0, True), (30, -1799, 0, False),
        (30, 1799, 0, False),
    ],
)  # fmt: skip
def test_lunch_may_touch_work_and_lies_inside_it_only_where_it_is_long(minutes, lunch_at_s, pause_s, is_kept):
    settings = PlanSettings(lunch_earliest_s=10 * HOUR, lunch_latest_s=16 * HOUR)
    problem = week([person()], [order("x", NEAR, minutes=minutes)], days=(MONDAY,), settings=settings)
    start, lunch = 12 * HOUR, (12 * HOUR + lunch_at_s, 12 * HOUR + lunch_at_s + 1800)
    leave = start + minutes * 60 + pause_s
    stop = Stop("x", "near", start - 480, start, leave, 600, 10_000)
    end_s = max(leave, lunch[1]) + 600
    route = Route("ann", MONDAY, "depot", "depot", 8 * HOUR, end_s, 1200, 20_000, (stop,), lunch)
    assert (Rule.LUNCH not in broken_rules(problem, Proposal(("x",), (route,), ()))) == is_kept


def test_nothing_is_done_before_its_first_day_or_outside_open_hours():
    problem, proposal = good()

    def open_from(opens, shuts):
        return with_job(problem, "two", access=AccessHours(otherwise=((opens, shuts),)))

    edge(Rule.ACCESS, (open_from(START_S, LEAVE_S), proposal), (open_from(START_S + 1, LEAVE_S), proposal))
    edge(Rule.ACCESS, (open_from(START_S, LEAVE_S), proposal), (open_from(START_S, LEAVE_S - 1), proposal))
    two = AccessHours(otherwise=((7 * HOUR, START_S + 600), (START_S + 601, 17 * HOUR)))
    assert broken_rules(with_job(problem, "two", access=two), proposal) == {Rule.ACCESS}
    edge(
        Rule.WINDOW,
        (with_job(problem, "one", first_day=MONDAY), proposal),
        (with_job(problem, "one", first_day=TUESDAY), proposal),
    )


@pytest.mark.parametrize(
    ("last_day", "late_days"), [(MONDAY, 0), (TUESDAY, 0), (MONDAY - timedelta(days=3), 3)]
)
def test_days_late_are_stated_as_they_are(last_day, late_days):
    problem, proposal = good()
    due = with_job(problem, "one", first_day=MONDAY - timedelta(days=9), last_day=last_day)
    assert check(due, with_stop(proposal, 0, late_days=late_days)) == []
    for other in (late_days - 1, late_days + 1):
        assert broken_rules(due, with_stop(proposal, 0, late_days=other)) == {Rule.LATENESS}


def two_days(gap_days, *, second=True, days=5, **after):
    """One order on Monday, another so many days later, linked as told; the plan holds ``days`` days."""
    dates = [MONDAY + timedelta(days=n) for n in range(days)]
    orders = [
        order("one", NEAR, last=dates[-1], parts={"carbon": 1}, van_space=2),
        order("two", NEAR, last=dates[-1], parts={"carbon": 1}, van_space=2, after=Link("one", **after)),
    ]

    def day(job_id, on):
        stop = Stop(job_id, "near", 8 * HOUR + 600, 8 * HOUR + 1080, 8 * HOUR + 2880, 600, 10_000)
        return Route("ann", on, "depot", "depot", 8 * HOUR, 8 * HOUR + 3480, 1200, 20_000, (stop,))

    routes, left = [day("one", MONDAY)], []
    if second:
        routes.append(replace(day("two", MONDAY + timedelta(days=gap_days)), technician_id="ann"))
    else:
        left.append(Unplaced("two", Reason.COSTS_MORE, ""))
    people = [person(van_stock={"carbon": 2}, van_space=2)]
    return week(people, orders, days=dates), Proposal(("one", "two"), tuple(routes), tuple(left))


@pytest.mark.parametrize(("gap_days", "is_kept"), [(1, False), (2, True), (3, True), (4, False)])
def test_linked_visits_lie_no_nearer_and_no_further_apart_than_allowed(gap_days, is_kept):
    found = check(*two_days(gap_days, min_gap_days=2, max_gap_days=3))
    assert [(one.rule, one.job_id) for one in found] == ([] if is_kept else [(Rule.LINK, "two")])


@pytest.mark.parametrize(("days", "is_kept"), [(3, True), (4, False), (5, False)])
def test_a_second_visit_may_wait_for_the_next_plan_only_where_that_is_early_enough(days, is_kept):
    problem, proposal = two_days(0, second=False, days=days, min_gap_days=1, max_gap_days=3)
    assert (broken_rules(problem, proposal) == set()) == is_kept


def test_a_second_visit_without_the_first_is_caught_and_one_whose_first_was_before_is_not():
    problem, proposal = two_days(1)
    alone = Proposal(("one", "two"), proposal.routes[1:], (Unplaced("one", Reason.COSTS_MORE, ""),))
    assert [(one.rule, one.job_id) for one in check(problem, alone)] == [(Rule.LINK, "two")]
    before = replace(problem, jobs=problem.jobs[1:])
    assert check(before, Proposal(("two",), proposal.routes[1:], ())) == []
    neither = [Unplaced(one, Reason.COSTS_MORE, "") for one in ("one", "two")]
    assert check(problem, Proposal(("one", "two"), (), tuple(neither))) == []


def test_parts_are_counted_over_all_days_of_a_van_and_only_against_that_van():
    problem, proposal = two_days(1)

    def held(restock=(), **stock):
        (ann,) = problem.technicians
        return replace(
            problem, technicians=(replace(ann, van_stock=stock, restock_kinds=frozenset(restock)),)
        )

    edge(Rule.PARTS, (held(carbon=2), proposal), (held(carbon=1), proposal))
    edge(Rule.PARTS, (held(["carbon"]), proposal), (held(["membrane"]), proposal))
    (told,) = check(held(carbon=1), proposal)
    assert told.text == "2 x carbon needed, 1 in the van"
    assert check(held(["carbon"], carbon=0), proposal) == []
    one, day = good()
    unknown = with_job(one, "two", parts={"carbon": 1})
    assert [told.text for told in check(unknown, day)] == ["1 x carbon needed, 0 in the van"]


def test_a_van_holds_what_a_day_needs():
    problem, proposal = two_days(1)
    (ann,) = problem.technicians
    narrow = replace(problem, technicians=(replace(ann, van_space=1),))
    edge(Rule.VAN_SPACE, (problem, proposal), (narrow, proposal))
    assert len([one for one in check(narrow, proposal) if one.rule == Rule.VAN_SPACE]) == 2


@pytest.mark.parametrize(
    ("pin", "is_kept"),
    [
        (Pin(PinLevel.DAY, MONDAY), True),
        (Pin(PinLevel.DAY, MONDAY, "bob"), True),
        (Pin(PinLevel.DAY, TUESDAY), False),
        (Pin(PinLevel.DAY, MONDAY - timedelta(days=1)), False),
        (Pin(PinLevel.DAY, MONDAY, None, 0, 1), True),
        (Pin(PinLevel.TECHNICIAN_DAY, MONDAY, "ann"), True),
        (Pin(PinLevel.TECHNICIAN_DAY, MONDAY, "ann", 0, 1), True),
        (Pin(PinLevel.TECHNICIAN_DAY, MONDAY, "bob"), False),
        (Pin(PinLevel.TECHNICIAN_DAY, TUESDAY, "ann"), False),
        (Pin(PinLevel.PROMISED, MONDAY, "ann", START_S, START_S), True),
        (Pin(PinLevel.PROMISED, MONDAY, "ann", START_S + 1, START_S + 9), False),
        (Pin(PinLevel.PROMISED, MONDAY, "ann", START_S - 9, START_S - 1), False),
        (Pin(PinLevel.PROMISED, MONDAY, "bob", START_S, START_S), False),
        (Pin(PinLevel.PROMISED, TUESDAY, "ann", START_S, START_S), False),
    ],
)
def test_a_pin_holds_the_day_then_the_technician_then_the_hours(pin, is_kept):
    problem, proposal = good()
    found = check(with_job(problem, "two", pin=pin), proposal)
    assert [(one.rule, one.job_id) for one in found] == ([] if is_kept else [(Rule.PIN, "two")])
