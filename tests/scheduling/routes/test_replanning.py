"""A sick call: the absence is written, promises stay where anybody can keep them, and all of it is undone."""

from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from scheduling.models import Absence, OrderState, ProposalState, Route, StopOrder, WorkOrder
from scheduling.orders import states
from scheduling.routes import promises, publishing, replanning
from shared.errors import DomainError
from tests import factories
from tests.factories import NOW, TODAY
from tests.scheduling.hands import TUESDAY, accounted, crew, due_on, layout, nothing_is_doubled, plan, spot

pytestmark = pytest.mark.django_db
WEDNESDAY = TUESDAY + timedelta(days=1)


def called_sick(branch, who, first_on=TUESDAY, last_on=TUESDAY, now=NOW, **given):
    asked = replanning.begin(
        branch, technician=who, first_on=first_on, last_on=last_on, reason="ill", by=None, now=now, **given
    )
    return replanning.work_out(asked.pk, now=now, max_iterations=10)


def published_crew(people=3, orders=9):
    branch, technicians, work = crew(people, orders)
    due_on(TUESDAY, work[: orders // 2 + 1])
    due_on(WEDNESDAY, work[orders // 2 + 1 :])
    row = plan(branch, is_published=True)
    sick = max(technicians, key=lambda one: row.routes.filter(technician=one, day=TUESDAY).count())
    assert row.routes.filter(technician=sick, day=TUESDAY).exists()
    return branch, technicians, work, row, sick


def test_nobody_absent_gets_a_stop_and_no_order_is_lost_or_doubled():
    branch, _, work, row, sick = published_crew()
    asked = called_sick(branch, sick)
    new = asked.proposal
    assert new.state == ProposalState.READY
    assert Absence.objects.get() == asked.absence
    assert not new.routes.filter(technician=sick, day=TUESDAY).exists()
    assert accounted(new) == {order.pk: 1 for order in work}
    # Nothing is in force yet: the old routes are.
    assert set(Route.objects.filter(is_in_force=True).values_list("proposal", flat=True)) == {row.pk}
    publishing.publish(new, by=None, now=NOW)
    nothing_is_doubled()
    assert not Route.objects.filter(is_in_force=True, technician=sick, day=TUESDAY).exists()


def test_visits_of_others_that_are_due_stay_where_they_are():
    branch, _, work, row, sick = published_crew()
    before = {order.pk: spot(row, order) for order in work}
    new = called_sick(branch, sick).proposal
    others = [order for order in work if before[order.pk] and before[order.pk] != (sick, TUESDAY)]
    assert others
    assert {order.pk: spot(new, order) for order in others} == {o.pk: before[o.pk] for o in others}


def test_a_promise_of_somebody_ill_is_kept_by_somebody_else_on_the_promised_day():
    branch, _, work = crew(3, 6)
    for order in work[:3]:
        promises.promise(order, TUESDAY, by=None, now=NOW)
    row = plan(branch, is_published=True)
    sick = spot(row, work[0])[0]
    asked = called_sick(branch, sick)
    for order in work[:3]:
        who, day = spot(asked.proposal, order)
        assert who != sick
        assert day == TUESDAY
    assert asked.lost == []
    assert asked.effect["promises_moved"] == 0


def test_a_promise_nobody_can_keep_is_named_with_its_reason():
    branch, people, work = crew(1, 2)
    promises.promise(work[0], TUESDAY, by=None, now=NOW)
    plan(branch, is_published=True)
    asked = called_sick(branch, people[0])
    assert [one["what"] for one in asked.lost] == [f"order {states.number_of(work[0].pk)}"]
    assert "lost" in asked.lost[0]["message"]
    assert asked.lost[0]["remedy"] == "Call the customer."


def test_urgent_work_is_taken_up_without_moving_what_was_promised():
    branch, _, work = crew(3, 9)
    promises.promise(work[0], WEDNESDAY, by=None, now=NOW)
    row = plan(branch, is_published=True)
    urgent = [
        factories.work_order(
            factories.treatment_unit(site=factories.site(branch=branch)), window_to=TODAY + timedelta(days=60)
        )
        for _ in range(2)
    ]
    asked = replanning.begin(branch, urgent=urgent, by=None, now=NOW)
    new = replanning.work_out(asked.pk, now=NOW, max_iterations=10).proposal
    assert all(spot(new, order) for order in urgent)
    assert spot(new, work[0]) == spot(row, work[0])
    assert not Absence.objects.exists()


def test_undo_before_publishing_takes_the_absence_and_the_proposal_back():
    branch, _, _, row, sick = published_crew()
    before = layout(row)
    asked = called_sick(branch, sick)
    replanning.undo(asked, by=None, now=NOW)
    asked.proposal.refresh_from_db()
    assert asked.proposal.state == ProposalState.SET_ASIDE
    assert not Absence.objects.exists()
    assert layout(row) == before


def test_undo_after_publishing_puts_the_old_routes_in_force_again():
    branch, _, _, row, sick = published_crew()
    before = layout(row)
    asked = called_sick(branch, sick)
    publishing.publish(asked.proposal, by=None, now=NOW)
    assert layout(row) != before
    replanning.undo(asked, by=None, now=NOW)
    assert layout(row) == before
    nothing_is_doubled()
    assert not Absence.objects.exists()
    with pytest.raises(DomainError, match="undone already"):
        replanning.undo(asked, by=None, now=NOW)


def test_undo_leaves_an_order_withdrawn_meanwhile_out():
    branch, _, work, _, sick = published_crew()
    asked = called_sick(branch, sick)
    publishing.publish(asked.proposal, by=None, now=NOW)
    states.withdraw_all([work[0].pk], "gone", NOW, None)
    replanning.undo(asked, by=None, now=NOW)
    nothing_is_doubled()
    work[0].refresh_from_db()
    assert work[0].state == OrderState.WITHDRAWN


def test_undo_refuses_once_another_plan_was_published_over_it():
    branch, _, _, _, sick = published_crew()
    asked = called_sick(branch, sick)
    publishing.publish(asked.proposal, by=None, now=NOW)
    plan(branch, first_on=TODAY, days=3, is_published=True)
    with pytest.raises(DomainError, match="Another plan has been published"):
        replanning.undo(asked, by=None, now=NOW)


def done(order, at):
    WorkOrder.objects.filter(pk=order.pk).update(state=OrderState.DONE, ended_at=at)


def test_somebody_who_falls_ill_at_noon_keeps_what_is_done_and_the_rest_finds_others():
    branch, _, work = crew(2, 6)
    for order in work:
        promises.promise(order, TUESDAY, by=None, now=NOW)
    row = plan(branch, is_published=True)
    sick = spot(row, work[0])[0]
    theirs = list(
        StopOrder.objects.filter(stop__route__technician=sick, is_in_force=True).order_by("stop__place")
    )
    noon = datetime.combine(TUESDAY, time(12), tzinfo=ZoneInfo("America/Chicago"))
    first, *rest = [link.order for link in theirs]
    done(first, noon)
    other_route = row.routes.exclude(technician=sick).first()
    before = list(other_route.stops.values_list("pk", flat=True)) if other_route else []
    asked = called_sick(branch, sick, now=noon)
    assert first.pk not in accounted(asked.proposal)
    assert {order.pk for order in rest} <= set(accounted(asked.proposal))
    publishing.publish(asked.proposal, by=None, now=noon)
    # What was done stays on the day it was done; the other's day is under way and left whole.
    assert StopOrder.objects.get(order=first, is_in_force=True).stop.route.technician == sick
    assert not StopOrder.objects.filter(
        order__in=rest, is_in_force=True, stop__route__technician=sick, stop__route__day=TUESDAY
    ).exists()
    if other_route:
        other_route.refresh_from_db()
        assert other_route.is_in_force
        assert list(other_route.stops.values_list("pk", flat=True)) == before
    nothing_is_doubled()


@pytest.mark.parametrize(
    ("given", "text"),
    [
        ({"first_on": TODAY - timedelta(days=1)}, "has passed"),
        ({"last_on": TODAY}, "is before"),
        ({"first_on": None}, "needs its days"),
    ],
)
def test_an_absence_that_makes_no_sense_is_refused_and_nothing_is_written(given, text):
    branch, people, _ = crew(2, 2)
    plan(branch, is_published=True)
    values = {"technician": people[0], "first_on": TUESDAY, "last_on": TUESDAY} | given
    with pytest.raises(DomainError, match=text) as refusal:
        replanning.begin(branch, **values, by=None, now=NOW)
    assert refusal.value.remedy
    assert not Absence.objects.exists()


def test_nothing_published_is_nothing_to_plan_anew():
    branch, people, _ = crew(2, 2)
    with pytest.raises(DomainError, match="Nothing is published"):
        called_sick(branch, people[0])
    assert not Absence.objects.exists()


def test_the_same_absence_twice_is_refused():
    branch, _, _, _, sick = published_crew(2, 4)
    called_sick(branch, sick)
    with pytest.raises(DomainError, match="absent for these days already"):
        called_sick(branch, sick)


def test_days_that_are_not_published_are_left_empty():
    branch, _, _, row, sick = published_crew()
    new = called_sick(branch, sick).proposal
    assert (new.first_on, new.last_on) == (row.first_on, row.last_on)
    assert not new.routes.filter(day=TODAY).exists()


def test_nobody_else_loses_a_visit_when_what_is_due_fits_without():
    branch, technicians, work = crew(3, 9, due_in_days=40)
    due_on(TUESDAY, work[:4])
    row = plan(branch, is_published=True)
    sick = max(technicians, key=lambda one: row.routes.filter(technician=one, day=TUESDAY).count())
    new = called_sick(branch, sick).proposal
    others = [order for order in work if spot(row, order) and spot(row, order) != (sick, TUESDAY)]
    assert {o.pk: spot(new, o) for o in others} == {o.pk: spot(row, o) for o in others}
