"""Moves by hand: the effect first, kept as a change, refused with a remedy, undone to the letter."""

import random
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from scheduling.models import (
    Absence,
    AccessHours,
    OrderState,
    ProposalState,
    Route,
    Skill,
    Stop,
    StopOrder,
    WorkOrder,
)
from scheduling.routes import moves, promises, proposals, publishing
from shared.errors import DomainError
from tests import factories
from tests.factories import NOW, TODAY
from tests.scheduling.hands import TUESDAY, accounted, crew, layout, nothing_is_doubled, plan, spot

pytestmark = pytest.mark.django_db
WEDNESDAY = TUESDAY + timedelta(days=1)


def elsewhere(row, order, people):
    """A technician-day of the plan other than the one the order has."""
    here = spot(row, order)
    return next((who, day) for who in people for day in (TUESDAY, WEDNESDAY) if here != (who, day))


def keep(row, orders, to, day, **given):
    return moves.keep_move(
        row, orders, to, day, **{"seen": moves.latest_number(row), "by": None, "now": NOW} | given
    )


def test_the_effect_is_shown_before_anything_is_written():
    branch, people, orders = crew()
    row = plan(branch)
    before = layout(row)
    to, day = elsewhere(row, orders[0], people)
    shown = moves.show_move(row, [orders[0]], to, day, now=NOW)
    own = next(one for one in shown.effect["changes"] if one["pk"] == orders[0].pk)
    assert own["now"]["who"] == to.name
    assert own["now"]["day"] == day.isoformat()
    assert layout(row) == before
    assert not row.revisions.exists()


def test_the_minutes_shown_are_those_the_routes_then_have():
    branch, people, orders = crew()
    row = plan(branch)
    driven = sum(row.routes.values_list("drive_minutes", flat=True))
    to, day = elsewhere(row, orders[0], people)
    shown = moves.show_move(row, [orders[0]], to, day, now=NOW)
    keep(row, [orders[0]], to, day)
    now_driven = sum(row.routes.values_list("drive_minutes", flat=True))
    # Each route rounds its own minutes.
    assert abs(now_driven - driven - shown.effect["drive_minutes"]) <= 2


def test_a_kept_move_says_who_when_and_what_and_undo_gives_the_plan_back_to_the_letter():
    branch, people, orders = crew()
    row = plan(branch)
    before = layout(row)
    planner = factories.person("planner")
    to, day = elsewhere(row, orders[0], people)
    revision = keep(row, [orders[0]], to, day, by=planner)
    assert spot(row, orders[0]) == (to, day)
    assert (revision.by, revision.at, revision.number) == (planner, NOW, 1)
    assert f"moved to {to.name}" in revision.what
    undone = moves.undo(row, by=planner, now=NOW)
    assert undone.undone_by == planner
    assert layout(row) == before
    with pytest.raises(DomainError, match="no change left to undo"):
        moves.undo(row, by=planner, now=NOW)


def test_two_people_moving_at_once_do_not_overwrite_each_other():
    branch, people, orders = crew()
    row = plan(branch)
    keep(row, [orders[0]], *elsewhere(row, orders[0], people))
    with pytest.raises(DomainError, match="changed this plan while you looked"):
        keep(row, [orders[1]], *elsewhere(row, orders[1], people), seen=0)


def test_a_move_on_a_published_plan_keeps_every_order_on_one_route():
    branch, people, orders = crew()
    row = plan(branch, is_published=True)
    before = layout(row)
    to, day = elsewhere(row, orders[0], people)
    keep(row, [orders[0]], to, day)
    nothing_is_doubled()
    assert accounted(row) == {order.pk: 1 for order in orders}
    assert set(WorkOrder.objects.values_list("state", flat=True)) == {OrderState.ON_ROUTE}
    keep(row, [orders[0]], None, None)
    orders[0].refresh_from_db()
    assert orders[0].state == OrderState.OPEN
    assert "taken off its route" in orders[0].events.values_list("what", flat=True)
    nothing_is_doubled()
    moves.undo(row, by=None, now=NOW)
    moves.undo(row, by=None, now=NOW)
    assert layout(row) == before
    nothing_is_doubled()


@pytest.mark.parametrize("is_published", [False, True])
@pytest.mark.parametrize("seed", range(4))
def test_any_sequence_of_moves_and_undos_loses_no_order_and_doubles_none(seed, is_published):
    branch, people, orders = crew(orders=7)
    nowhere = factories.work_order(
        factories.treatment_unit(site=factories.site(branch=branch, latitude=None, longitude=None))
    )
    row = plan(branch, is_published=is_published)
    begun, chance, kept = layout(row), random.Random(seed), 0
    for _ in range(9):
        draw = chance.random()
        try:
            if draw < 0.25:
                moves.undo(row, by=None, now=NOW)
                kept -= 1
            else:
                to = None if draw < 0.4 else chance.choice(people)
                day = chance.choice([TUESDAY, WEDNESDAY]) if to else None
                keep(row, [chance.choice([*orders, nowhere])], to, day)
                kept += 1
        except DomainError:
            pass
        row.refresh_from_db()
        assert accounted(row) == {order.pk: 1 for order in [*orders, nowhere]}
        nothing_is_doubled()
    for _ in range(kept):
        moves.undo(row, by=None, now=NOW)
    assert layout(row) == begun


def broken_skill(order, to, day):
    order.skills.add(Skill.objects.create(code="mains", name="Mains electricity"))
    return "lacks the skill", "somebody who has it"


def broken_window(order, to, day):
    WorkOrder.objects.filter(pk=order.pk).update(window_from=day + timedelta(days=1))
    return "window opens on", "or a later day"


def broken_access(order, to, day):
    AccessHours.objects.create(
        site=order.site, weekday=(day.weekday() + 1) % 7, opens_at=time(8), closes_at=time(16)
    )
    return "the site is closed on", "Choose a day"


def broken_hours(order, to, day):
    AccessHours.objects.create(
        site=order.site, weekday=day.weekday(), opens_at=time(9), closes_at=time(9, 20)
    )
    return "shorter than the 40 min", "longer hours"


def broken_absence(order, to, day):
    Absence.objects.create(technician=to, first_on=day, last_on=day)
    return "is absent", "another day or person"


def broken_shift(order, to, day):
    to.shifts.filter(weekday=day.weekday()).update(starts_at=time(8), ends_at=time(9))
    return "", ""


@pytest.mark.parametrize(
    "break_it", [broken_skill, broken_window, broken_access, broken_hours, broken_absence, broken_shift]
)
def test_what_breaks_a_rule_is_refused_with_reason_and_remedy_and_nothing_changes(break_it):
    branch, people, orders = crew(orders=1)
    row = plan(branch)
    keep(row, orders, None, None)
    text, remedy = break_it(orders[0], people[1], WEDNESDAY)
    before = layout(row)
    shown = moves.show_move(row, orders, people[1], WEDNESDAY, now=NOW)
    assert shown.effect is None
    assert shown.remedy
    assert text in shown.refusal
    assert remedy in shown.remedy
    with pytest.raises(DomainError):
        keep(row, orders, people[1], WEDNESDAY)
    assert layout(row) == before


def test_a_full_day_is_refused_with_the_minutes_it_lacks():
    branch, people, orders = crew(people=1, orders=2)
    WorkOrder.objects.update(minutes=330)
    row = plan(branch, days=2)
    on_tuesday, on_wednesday = sorted(orders, key=lambda order: spot(row, order)[1])
    shown = moves.show_move(row, [on_wednesday], people[0], TUESDAY, now=NOW)
    assert shown.effect is None
    assert "min longer" in shown.refusal
    assert spot(row, on_tuesday) == (people[0], TUESDAY)


def test_a_pinned_stop_stays_until_it_is_unpinned():
    branch, people, orders = crew()
    row = plan(branch)
    stop = StopOrder.objects.get(stop__route__proposal=row, order=orders[0]).stop
    to, day = elsewhere(row, orders[0], people)
    moves.set_pin(stop, True, by=None, now=NOW)
    with pytest.raises(DomainError, match="is locked to") as refusal:
        keep(row, [orders[0]], to, day)
    assert "Unlock" in refusal.value.remedy
    with pytest.raises(DomainError, match="is locked to"):
        keep(row, [orders[0]], None, None)
    moves.set_pin(stop, False, by=None, now=NOW)
    keep(row, [orders[0]], to, day)
    assert list(orders[0].events.values_list("what", flat=True)) == ["locked", "unlocked"]


def test_a_pin_survives_a_move_of_others_on_its_day_and_a_new_plan():
    branch, people, orders = crew()
    row = plan(branch, is_published=True)
    stop = StopOrder.objects.get(stop__route__proposal=row, order=orders[0]).stop
    moves.set_pin(stop, True, by=None, now=NOW)
    here = spot(row, orders[0])
    other = next(order for order in orders[1:] if spot(row, order) == here)
    keep(row, [other], *elsewhere(row, other, people))
    assert StopOrder.objects.get(stop__route__proposal=row, order=orders[0]).stop.is_pinned
    fresh = plan(branch)
    assert spot(fresh, orders[0]) == here
    assert StopOrder.objects.get(stop__route__proposal=fresh, order=orders[0]).stop.is_pinned


def test_undo_never_loses_a_promise_made_since():
    branch, people, orders = crew()
    row = plan(branch)
    _, day = spot(row, orders[0])
    other_day = WEDNESDAY if day == TUESDAY else TUESDAY
    keep(row, [orders[0]], people[0], other_day)
    promises.promise(orders[0], other_day, by=None, now=NOW)
    begun = layout(row)
    with pytest.raises(DomainError, match="promised"):
        moves.undo(row, by=None, now=NOW)
    assert layout(row) == begun


def test_a_promised_order_keeps_its_day_but_may_change_hands():
    branch, people, orders = crew()
    row = plan(branch, is_published=True)
    who, day = spot(row, orders[0])
    promises.promise(orders[0], day, by=None, now=NOW)
    other_day = WEDNESDAY if day == TUESDAY else TUESDAY
    with pytest.raises(DomainError, match="promised to the customer") as refusal:
        keep(row, [orders[0]], who, other_day)
    assert "Ask the customer" in refusal.value.remedy
    with pytest.raises(DomainError, match="is promised for"):
        keep(row, [orders[0]], None, None)
    stranger = next(one for one in people if one != who)
    keep(row, [orders[0]], stranger, day)
    assert spot(row, orders[0]) == (stranger, day)


def test_a_promise_pins_the_day_in_the_next_plan():
    branch, _, orders = crew()
    for order, day in zip(orders[:2], (TUESDAY, WEDNESDAY), strict=True):
        promises.promise(order, day, by=None, now=NOW)
    row = plan(branch)
    assert [spot(row, order)[1] for order in orders[:2]] == [TUESDAY, WEDNESDAY]


@pytest.mark.parametrize(
    ("day", "text"),
    [
        (TODAY - timedelta(days=1), "has passed"),
        (TUESDAY, "may not be done before"),
        (WEDNESDAY, "is closed on"),
    ],
)
def test_a_promise_that_can_not_be_kept_is_refused(day, text):
    _, _, orders = crew(orders=1)
    WorkOrder.objects.update(window_from=WEDNESDAY)
    AccessHours.objects.create(
        site=orders[0].site, weekday=(WEDNESDAY.weekday() + 1) % 7, opens_at=time(8), closes_at=time(16)
    )
    with pytest.raises(DomainError, match=text) as refusal:
        promises.promise(orders[0], day, by=None, now=NOW)
    assert refusal.value.remedy
    assert WorkOrder.objects.get().promised_on is None


def test_publishing_refuses_a_plan_that_a_promise_made_since_would_break():
    branch, _, orders = crew()
    row = plan(branch)
    _, day = spot(row, orders[0])
    promises.promise(orders[0], WEDNESDAY if day == TUESDAY else TUESDAY, by=None, now=NOW)
    with pytest.raises(DomainError, match="promised to the customer"):
        publishing.publish(row, by=None, now=NOW)
    assert not Route.objects.filter(is_in_force=True).exists()
    row.refresh_from_db()
    assert row.state == ProposalState.READY


def test_days_under_way_are_left_alone():
    branch, people, (order, later) = crew(orders=2)
    for one, day in ((order, TUESDAY), (later, WEDNESDAY)):
        promises.promise(one, day, by=None, now=NOW)
    row = plan(branch, is_published=True)
    noon = datetime.combine(TUESDAY, time(12), tzinfo=ZoneInfo("America/Chicago"))
    with pytest.raises(DomainError, match="under way"):
        keep(row, [order], people[0], WEDNESDAY, now=noon)
    with pytest.raises(DomainError, match="under way"):
        keep(row, [later], spot(row, order)[0], TUESDAY, now=noon)


def test_a_whole_stop_moves_with_all_its_orders():
    branch, people, orders = crew(orders=3)
    twin = factories.work_order(orders[0].treatment_unit, window_to=orders[0].window_to)
    row = plan(branch)
    to, day = elsewhere(row, orders[0], people)
    keep(row, [orders[0], twin], to, day)
    assert spot(row, orders[0]) == spot(row, twin) == (to, day)
    assert Stop.objects.filter(route__proposal=row, site=orders[0].site).count() == 1
    assert accounted(row) == {order.pk: 1 for order in [*orders, twin]}


def test_only_a_ready_or_published_plan_is_changed():
    branch, people, orders = crew(orders=2)
    row = plan(branch)
    to, day = elsewhere(row, orders[0], people)
    proposals.set_aside(row)
    with pytest.raises(DomainError, match="is discarded"):
        keep(row, [orders[0]], to, day)


def test_orders_of_somebody_called_absent_on_a_day_under_way_are_not_counted_twice():
    branch, people, (first, later) = crew(orders=2)
    for one, day in ((first, TUESDAY), (later, WEDNESDAY)):
        promises.promise(one, day, by=None, now=NOW)
    row = plan(branch, is_published=True)
    who = spot(row, first)[0]
    Absence.objects.create(technician=who, first_on=TUESDAY, last_on=TUESDAY)
    noon = datetime.combine(TUESDAY, time(12), tzinfo=ZoneInfo("America/Chicago"))
    other = next(one for one in people if one != spot(row, later)[0])
    keep(row, [later], other, WEDNESDAY, now=noon)
    assert accounted(row) == {first.pk: 1, later.pk: 1}
    nothing_is_doubled()


def test_a_later_plan_over_some_of_the_days_keeps_what_it_took():
    branch, people, (first, later) = crew(orders=2)
    for one, day in ((first, TUESDAY), (later, WEDNESDAY)):
        promises.promise(one, day, by=None, now=NOW)
    row = plan(branch, is_published=True)
    newer = plan(branch, first_on=WEDNESDAY, days=1, is_published=True)
    other = next(one for one in people if one != spot(row, first)[0])
    keep(row, [first], other, TUESDAY)
    with pytest.raises(DomainError):
        keep(row, [later], people[0], TUESDAY)
    nothing_is_doubled()
    assert accounted(newer)[later.pk] == 1
    assert WorkOrder.objects.filter(state=OrderState.ON_ROUTE).count() == 2
