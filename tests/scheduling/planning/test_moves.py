"""A stop moved by hand: the effect is shown, nothing else moves, nothing broken is offered."""

from dataclasses import replace
from datetime import timedelta

import pytest

from scheduling.planning.checker import check
from scheduling.planning.planner import plan_week
from scheduling.planning.problem import AccessHours, Link, Pin, PinLevel, Shift
from scheduling.planning.proposal import ChangeKind
from scheduling.planning.replan import move_stop, take_off
from tests.scheduling.planning.small import HOUR, MONDAY, TUESDAY, WEDNESDAY, order, person, spot, week

EAST, WEST = spot("east", 30), spot("west", -30)


def case(**first):
    people = [person("ann", skills={"a"}), person("bob")]
    orders = [order("x", EAST, **first), order("y", EAST), order("z", WEST)]
    problem = week(people, orders)
    return problem, plan_week(problem, seconds=1, seed=1, max_iterations=30)


def other_spot(plan, job_id):
    route, _ = plan.where(job_id)
    return "bob" if route.technician_id == "ann" else "ann", WEDNESDAY if route.day != WEDNESDAY else TUESDAY


def test_the_effect_of_a_move_is_shown_and_nothing_else_moves():
    problem, plan = case()
    who, day = other_spot(plan, "x")
    moved = move_stop(problem, plan, "x", who, day)
    route, _ = moved.proposal.where("x")
    assert (route.technician_id, route.day) == (who, day)
    assert check(problem, moved.proposal) == []
    assert [
        one.job_id for one in moved.effect.changes if one.kind in (ChangeKind.DAY, ChangeKind.PERSON)
    ] == ["x"]
    assert moved.effect.price_saved_min == plan.totals.cost_min - moved.proposal.totals.cost_min < 0


def test_moving_back_is_undo():
    problem, plan = case()
    route, _ = plan.where("x")
    away = move_stop(problem, plan, "x", *other_spot(plan, "x")).proposal
    back = move_stop(problem, away, "x", route.technician_id, route.day).proposal
    assert back.totals == plan.totals


def test_a_move_to_somebody_without_the_skill_is_refused_with_the_reason():
    problem, plan = case(skills=frozenset({"a"}))
    moved = move_stop(problem, plan, "x", "bob", WEDNESDAY)
    assert moved.proposal is None
    assert "somebody who has it" in moved.refusal.remedy
    assert "Bob lacks the skill a" in moved.refusal.message


def test_a_move_into_a_full_day_says_how_many_minutes_are_missing():
    orders = [
        order("long", EAST, minutes=330, first=MONDAY, last=MONDAY),
        order("x", EAST, minutes=60, first=TUESDAY),
    ]
    problem = week([person()], orders)
    plan = plan_week(problem, seconds=1, seed=1, max_iterations=30)
    free = replace(problem, jobs=(orders[0], replace(orders[1], first_day=MONDAY)))
    moved = move_stop(free, plan, "x", "ann", MONDAY)
    # 330 + 60 work, 60 drive, 8 walking in, 30 lunch: 488 of 480 minutes.
    assert "8 min longer" in moved.refusal.message


def refused_on_tuesday(problem):
    """The words of a refusal to move x to Ann's Tuesday, in a week whose other days would take it."""
    plan = plan_week(problem, seconds=1, seed=1, max_iterations=30)
    moved = move_stop(problem, plan, "x", "ann", TUESDAY)
    assert moved.proposal is None
    assert moved.refusal.remedy
    return moved.refusal.message


def shut_on_tuesday(*hours):
    return AccessHours(by_date={TUESDAY: hours})


@pytest.mark.parametrize(
    ("given", "word"),
    [
        ({"first": WEDNESDAY}, "its window opens on 03 Mar"),
        ({"access": shut_on_tuesday()}, "the site is closed on Tuesdays"),
        ({"access": shut_on_tuesday((8 * HOUR, 8 * HOUR + 600))}, "shorter than the 30 min of work"),
        ({"access": shut_on_tuesday((5 * HOUR, 7 * HOUR))}, "even were the day empty"),
    ],
)
def test_a_move_to_a_day_that_does_not_suit_names_that_day_and_not_the_whole_week(given, word):
    # Monday and Wednesday are free and open: a word about the whole week would be false.
    assert word in refused_on_tuesday(week([person()], [order("x", EAST, **given)]))


def test_a_move_to_somebody_without_a_shift_that_day_says_so():
    shifts = [Shift("ann", day, 8 * HOUR, 16 * HOUR) for day in (MONDAY, WEDNESDAY)]
    assert "Ann has no shift on 02 Mar" in refused_on_tuesday(
        week([person()], [order("x", EAST)], shifts=shifts)
    )


def test_a_move_of_a_second_visit_off_its_day_names_the_first_visit():
    problem = week([person()], [order("bed", EAST, last=MONDAY), order("x", EAST, after=Link("bed", 2, 2))])
    assert "it belongs to order bed and must be on 03 Mar" in refused_on_tuesday(problem)


def test_a_move_to_a_van_whose_parts_go_elsewhere_says_which():
    ann = person("ann", van_stock={"carbon": 1})
    orders = [order("x", EAST, parts={"carbon": 1}), order("y", EAST, parts={"carbon": 1}, risk_weight=5)]
    assert "carbon go to other orders" in refused_on_tuesday(week([ann], orders))


def test_moving_a_promised_visit_says_that_the_promise_breaks():
    pin = Pin(PinLevel.PROMISED, MONDAY, "ann", 8 * HOUR, 12 * HOUR)
    problem, plan = case(pin=pin)
    moved = move_stop(problem, plan, "x", "bob", TUESDAY)
    assert moved.breaks_promise
    assert moved.effect.promises_moved == 1
    assert not move_stop(problem, plan, "x", "ann", MONDAY).breaks_promise


def test_an_order_left_out_can_be_placed_by_hand():
    away = order("away", spot("away", 90), last=WEDNESDAY + timedelta(days=30))
    problem = week([person()], [away])
    plan = plan_week(problem, seconds=1, seed=1, max_iterations=30)
    assert plan.where("away") is None
    moved = move_stop(problem, plan, "away", "ann", TUESDAY)
    assert moved.proposal.where("away")[0].day == TUESDAY
    assert moved.effect.price_saved_min == -(180 + 8 - 18)


def test_taking_off_shows_what_it_costs():
    problem, plan = case()
    off = take_off(problem, plan, "z")
    assert off.proposal.where("z") is None
    assert off.effect.price_saved_min == 68 - 480  # the drive and the visit saved, a missed order paid
    assert off.effect.drive_saved_min == 60


def test_a_first_visit_can_not_leave_its_second_alone():
    problem = week([person()], [order("bed", EAST), order("flush", EAST, after=Link("bed", 1, 1))])
    plan = plan_week(problem, seconds=1, seed=1, max_iterations=30)
    route, _ = plan.where("bed")
    wrong = WEDNESDAY if route.day == MONDAY else MONDAY
    assert move_stop(problem, plan, "bed", "ann", wrong).proposal is None
    assert "flush" in take_off(problem, plan, "bed").refusal.message


def test_an_unknown_order_is_an_error_of_the_caller():
    problem, plan = case()
    with pytest.raises(KeyError):
        move_stop(problem, plan, "nobody's", "ann", MONDAY)
