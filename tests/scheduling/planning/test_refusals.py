"""What can't be planned is named with its remedy, and the rest is planned."""

from dataclasses import replace
from datetime import timedelta

import pytest

from scheduling.planning.planner import plan_week
from scheduling.planning.problem import AccessHours, Job, Link, Pin, PinLevel, PlanSettings, Shift
from scheduling.planning.proposal import PROOFS, Reason
from scheduling.planning.travel import Place
from tests.scheduling.planning.small import DEPOT, HOUR, MONDAY, TUESDAY, WEDNESDAY, order, person, spot, week

NEAR = spot("near", 10)
FINE = order("fine", spot("other", 5))


def planned(problem):
    return plan_week(problem, seconds=1, seed=1, max_iterations=20)


def reason_of(plan, job_id):
    return next(one for one in plan.unplaced if one.job_id == job_id)


def test_a_site_without_position_is_refused_and_the_rest_planned():
    plan = planned(week([person()], [FINE, order("lost", Place("nowhere", None, None, "Mill"))]))
    assert plan.where("fine") is not None
    assert reason_of(plan, "lost").reason == Reason.NO_POSITION
    assert "Mill has no position" in str(plan.refusals[0])
    assert plan.refusals[0].remedy


def test_a_shift_that_ends_before_it_starts_is_refused_and_the_others_worked():
    shifts = [Shift("ann", MONDAY, 16 * HOUR, 8 * HOUR), Shift("ann", TUESDAY, 8 * HOUR, 16 * HOUR)]
    plan = planned(week([person()], [FINE], shifts=shifts))
    assert "ends before it starts" in plan.refusals[0].message
    assert plan.where("fine")[0].day == TUESDAY


def test_an_order_longer_than_any_shift_is_refused():
    plan = planned(week([person()], [FINE, order("long", NEAR, minutes=9 * 60)]))
    assert reason_of(plan, "long").reason == Reason.LONGER_THAN_SHIFT
    assert "450" in reason_of(plan, "long").text
    assert plan.where("fine") is not None


def test_two_promises_in_one_slot_leave_the_second_out_by_name():
    pin = Pin(PinLevel.PROMISED, MONDAY, "ann", 9 * HOUR, 9 * HOUR)
    plan = planned(
        week([person()], [FINE, order("a", NEAR, pin=pin), order("b", spot("west", -20), pin=pin)])
    )
    assert plan.where("a")[1].start_s == 9 * HOUR
    assert reason_of(plan, "b").reason == Reason.PIN_CONFLICT
    assert "order a" in reason_of(plan, "b").text
    assert plan.where("fine") is not None


def test_a_pin_on_somebody_absent_is_refused():
    pin = Pin(PinLevel.TECHNICIAN_DAY, MONDAY, "ann")
    plan = planned(
        week([person()], [order("a", NEAR, pin=pin)], shifts=[Shift("ann", TUESDAY, 8 * HOUR, 16 * HOUR)])
    )
    assert reason_of(plan, "a").reason == Reason.PIN_CONFLICT


@pytest.mark.parametrize(
    ("reason", "job", "people"),
    [
        (
            Reason.WINDOW_CLOSED,
            order("x", NEAR, first=WEDNESDAY + timedelta(1), last=WEDNESDAY + timedelta(9)),
            [person()],
        ),
        (Reason.NO_SKILL, order("x", NEAR, skills=frozenset({"welding"})), [person(skills={"a"})]),
        (Reason.NO_PART, order("x", NEAR, parts={"membrane": 2}), [person(van_stock={"membrane": 1})]),
        (Reason.SITE_CLOSED, order("x", NEAR, access=AccessHours(otherwise=())), [person()]),
        (
            Reason.ACCESS_TOO_SHORT,
            order("x", NEAR, access=AccessHours(otherwise=((9 * HOUR, 9 * HOUR + 600),))),
            [person()],
        ),
        (Reason.TOO_FAR, order("x", spot("island", 230)), [person()]),
        (
            Reason.TOO_FAR,
            order("x", NEAR, access=AccessHours(otherwise=((18 * HOUR, 20 * HOUR),))),
            [person()],
        ),
    ],
)
def test_each_proof_names_what_is_impossible(reason, job, people):
    plan = planned(week(people, [FINE, job]))
    said = reason_of(plan, "x")
    assert said.reason == reason
    assert said.reason in PROOFS
    assert said.remedy


def test_nobody_suitable_on_shift_is_told_from_nobody_suitable():
    people = [person("ann", skills={"a"}), person("bob")]
    shifts = [Shift("bob", day, 8 * HOUR, 16 * HOUR) for day in (MONDAY, TUESDAY, WEDNESDAY)]
    plan = planned(week(people, [order("x", NEAR, skills=frozenset({"a"}))], shifts=shifts))
    assert reason_of(plan, "x").reason == Reason.NO_SHIFT
    assert "Ann" in reason_of(plan, "x").text


def test_a_full_day_names_the_minutes_and_they_are_enough():
    orders = [order(f"o{n}", NEAR, minutes=100, last=MONDAY) for n in range(5)]
    problem = week([person()], orders, days=(MONDAY,))
    plan = planned(problem)
    assert len(plan.unplaced) == 1
    said = plan.unplaced[0]
    # 480 min of shift, less lunch 30, driving 20, walking in 8, work 4 x 100: 22 min left of the 100.
    assert (said.reason, said.short_s) == (Reason.DAY_FULL, 78 * 60)
    longer = replace(problem, shifts=(Shift("ann", MONDAY, 8 * HOUR, 16 * HOUR + said.short_s),))
    assert planned(longer).unplaced == ()
    one_less = replace(problem, shifts=(Shift("ann", MONDAY, 8 * HOUR, 16 * HOUR + said.short_s - 60),))
    assert len(planned(one_less).unplaced) == 1


def test_the_part_that_ran_out_is_named():
    people = [person(van_stock={"membrane": 1})]
    plan = planned(week(people, [order(n, NEAR, parts={"membrane": 1}) for n in ("a", "b")]))
    assert [one.reason for one in plan.unplaced] == [Reason.PART_USED_UP]
    restocked = [person(restock_kinds=frozenset({"membrane"}))]
    assert (
        planned(week(restocked, [order(n, NEAR, parts={"membrane": 1}) for n in ("a", "b")])).unplaced == ()
    )


def test_work_that_can_wait_stays_when_the_drive_costs_more():
    late = WEDNESDAY + timedelta(days=30)
    plan = planned(week([person()], [order("x", spot("away", 60), last=late)]))
    said = reason_of(plan, "x")
    assert said.reason == Reason.COSTS_MORE
    assert said.extra_min == 128  # there and back 120, visit 8; waiting costs 18
    assert "18" in said.text


def test_bad_settings_and_inputs_are_refused_by_name():
    for make, words in [
        (lambda: PlanSettings(late_day=-1), "late_day"),
        (lambda: order("x", NEAR, first=TUESDAY, last=MONDAY), "ends before"),
        (lambda: order("x", NEAR, minutes=-1), "negative"),
        (lambda: AccessHours(otherwise=((5, 4),)), "rise"),
        (lambda: Pin(PinLevel.PROMISED, MONDAY), "technician"),
        (lambda: Link("x", 2, 1), "gap"),
        (lambda: week([person(), person()], []), "twice"),
        (lambda: week([person()], [FINE, FINE]), "twice"),
        (lambda: week([person()], [], days=(TUESDAY, MONDAY)), "rising"),
    ]:
        with pytest.raises(ValueError, match=words):
            make()


def test_an_empty_week_is_a_plan():
    plan = planned(week([person()], []))
    assert (plan.routes, plan.unplaced) == ((), ())
    nobody = planned(week([], [Job("x", DEPOT, 60, MONDAY, MONDAY)]))
    assert (
        reason_of(nobody, "x").reason == Reason.NO_SKILL or reason_of(nobody, "x").reason == Reason.NO_SHIFT
    )
