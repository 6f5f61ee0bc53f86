"""Routes: proposed from what is open, published all or none, taken back, never losing an order."""

from collections import Counter
from datetime import UTC, date, datetime, time, timedelta

import pytest

from scheduling.models import (
    Absence,
    AccessHours,
    OrderState,
    ProposalState,
    Route,
    RouteProposal,
    Skill,
    Stop,
    StopOrder,
    TravelLeg,
    WorkOrder,
)
from scheduling.planning import solver_process
from scheduling.planning.proposal import Reason
from scheduling.routes import problem as routes_problem
from scheduling.routes import promises, proposals, publishing
from scheduling.routes.board import proposal_rows
from scheduling.routes.travel import LegsInDatabase
from shared.errors import DomainError
from tests import factories
from tests.factories import NOW, TODAY

pytestmark = pytest.mark.django_db
TUESDAY = TODAY + timedelta(days=1)


@pytest.fixture
def crew():
    """Two technicians of one branch in a zone of its own clock, and six due orders nearby."""
    branch = factories.branch(time_zone="America/Chicago")
    people = [factories.technician(branch=branch) for _ in range(2)]
    sites = [factories.site(branch=branch) for _ in range(6)]
    orders = [
        factories.work_order(factories.treatment_unit(site=site), window_to=TODAY + timedelta(days=3))
        for site in sites
    ]
    return branch, people, orders


def propose(branch=None, **given):
    values = {"first_on": TUESDAY, "days": 2, "seconds": 10, "now": NOW, "max_iterations": 20}
    return proposals.propose(branch=branch, **values | given)


def accounted(proposal):
    """How often each order is placed or left out."""
    placed = StopOrder.objects.filter(stop__route__proposal=proposal).values_list("order_id", flat=True)
    return Counter([*placed, *proposal.unplaced.values_list("order_id", flat=True)])


def nothing_is_doubled():
    """Every order on a route is in force exactly once, every open one nowhere."""
    for order in WorkOrder.objects.all():
        in_force = order.stops.filter(is_in_force=True).count()
        assert in_force == (1 if order.state == OrderState.ON_ROUTE else 0), order


def test_placed_and_left_out_together_are_all_open_orders_each_once(crew):
    branch, _, orders = crew
    nowhere = factories.work_order(
        factories.treatment_unit(site=factories.site(branch=branch, latitude=None, longitude=None))
    )
    proposal = propose(branch)
    assert accounted(proposal) == {order.pk: 1 for order in [*orders, nowhere]}
    assert proposal.state == ProposalState.READY
    assert proposal.unplaced.get(order=nowhere).reason == Reason.NO_POSITION
    assert any("latitude" in problem["remedy"] for problem in proposal.problems)
    assert all(stop.why for stop in Stop.objects.filter(route__proposal=proposal))


def test_times_are_those_on_the_branch_wall(crew):
    branch, _, _ = crew
    proposal = propose(branch)
    # 8 o'clock in Chicago after the autumn clock change is 14:00 UTC.
    earliest = {route.leaves_at.astimezone(UTC).time() for route in proposal.routes.all()}
    assert min(earliest) == time(14)
    assert {route.leaves_at.astimezone(UTC).date() == route.day for route in proposal.routes.all()} == {True}


def test_publishing_claims_every_placed_order_and_twice_changes_nothing(crew):
    branch, _, _ = crew
    proposal = publishing.publish(propose(branch), by=None, now=NOW)
    placed = StopOrder.objects.filter(stop__route__proposal=proposal)
    assert placed.exists()
    assert set(placed.values_list("is_in_force", "order__state")) == {(True, OrderState.ON_ROUTE)}
    events = list(WorkOrder.objects.values_list("events__what", flat=True))
    publishing.publish(proposal, by=None, now=NOW)
    assert list(WorkOrder.objects.values_list("events__what", flat=True)) == events
    nothing_is_doubled()


def test_an_order_withdrawn_meanwhile_stops_the_publishing_whole(crew):
    branch, _, _ = crew
    proposal = propose(branch)
    lost = StopOrder.objects.filter(stop__route__proposal=proposal).first().order
    WorkOrder.objects.filter(pk=lost.pk).update(state="withdrawn", ended_at=NOW, withdrawn_because="gone")
    with pytest.raises(DomainError, match=f"{lost} is withdrawn since") as refusal:
        publishing.publish(proposal, by=None, now=NOW)
    assert "Propose again" in refusal.value.remedy
    assert not WorkOrder.objects.filter(state=OrderState.ON_ROUTE).exists()
    assert not Route.objects.filter(is_in_force=True).exists()


def test_a_new_plan_sets_the_old_routes_of_its_days_aside_and_loses_no_order(crew):
    branch, _, orders = crew
    publishing.publish(propose(branch), by=None, now=NOW)
    urgent = factories.work_order(orders[0].treatment_unit, window_to=TUESDAY)
    second = propose(branch)
    assert accounted(second) == {order.pk: 1 for order in [*orders, urgent]}
    publishing.publish(second, by=None, now=NOW)
    nothing_is_doubled()
    assert set(Route.objects.filter(is_in_force=True).values_list("proposal", flat=True)) == {second.pk}


def test_a_day_with_a_finished_stop_stays_and_its_orders_are_left_alone(crew):
    branch, (one, two), orders = crew
    kept = factories.route(one, orders[:3], TUESDAY)
    WorkOrder.objects.filter(pk=orders[0].pk).update(state="done", ended_at=NOW)
    proposal = propose(branch, days=1)
    assert set(accounted(proposal)) == {order.pk for order in orders[3:]}
    assert set(proposal.routes.values_list("technician", flat=True)) <= {two.pk}
    publishing.publish(proposal, by=None, now=NOW)
    kept.refresh_from_db()
    assert kept.is_in_force
    assert WorkOrder.objects.get(pk=orders[1].pk).state == OrderState.ON_ROUTE


def test_a_stop_finished_between_proposing_and_publishing_is_told(crew):
    branch, _, _ = crew
    old = publishing.publish(propose(branch), by=None, now=NOW)
    new = propose(branch)
    both = set(old.routes.values_list("technician", "day")) & set(new.routes.values_list("technician", "day"))
    technician, day = both.pop()
    done = StopOrder.objects.filter(stop__route__proposal=old, stop__route__technician=technician,
                                    stop__route__day=day).first().order  # fmt: skip
    WorkOrder.objects.filter(pk=done.pk).update(state="done", ended_at=NOW)
    with pytest.raises(DomainError, match="Propose again"):
        publishing.publish(new, by=None, now=NOW)
    assert set(Route.objects.filter(is_in_force=True).values_list("proposal", flat=True)) == {old.pk}


def test_taking_a_plan_back_opens_its_orders_and_it_can_be_published_again(crew):
    branch, _, _ = crew
    proposal = publishing.publish(propose(branch), by=None, now=NOW)
    publishing.unpublish(proposal, by=None, now=NOW)
    assert not WorkOrder.objects.exclude(state=OrderState.OPEN).exists()
    nothing_is_doubled()
    publishing.publish(proposal, by=None, now=NOW)
    nothing_is_doubled()


def test_a_plan_with_a_finished_stop_is_not_taken_back(crew):
    branch, _, _ = crew
    proposal = publishing.publish(propose(branch), by=None, now=NOW)
    order = StopOrder.objects.filter(is_in_force=True).first().order
    WorkOrder.objects.filter(pk=order.pk).update(state="done", ended_at=NOW)
    with pytest.raises(DomainError, match="the days that are left"):
        publishing.unpublish(proposal, by=None, now=NOW)


@pytest.mark.parametrize("state", ["running", "failed", "set_aside"])
def test_only_a_proposal_that_is_ready_is_published(state):
    row = RouteProposal.objects.create(first_on=TODAY, last_on=TODAY, state=state, made_at=NOW)
    with pytest.raises(DomainError, match="create a new one"):
        publishing.publish(row, by=None, now=NOW)
    with pytest.raises(DomainError, match="nothing to take back"):
        publishing.unpublish(row, by=None, now=NOW)


def test_a_published_proposal_is_not_set_aside(crew):
    branch, _, _ = crew
    proposal = propose(branch)
    publishing.publish(proposal, by=None, now=NOW)
    with pytest.raises(DomainError, match="Take a published plan back first"):
        proposals.set_aside(proposal)


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"first_on": TODAY - timedelta(days=2)}, "first_on"),
        ({"days": 0}, "days"),
        ({"days": 90}, "days"),
        ({"seconds": 0}, "seconds"),
    ],
)
def test_days_that_cannot_be_planned_are_refused(crew, change, field):
    with pytest.raises(DomainError) as refusal:
        propose(crew[0], **change)
    assert refusal.value.field == field
    assert refusal.value.remedy
    assert not RouteProposal.objects.exists()


def test_nobody_to_plan_for_is_told():
    with pytest.raises(DomainError, match="Add a branch"):
        propose()


def test_an_order_whose_day_went_by_is_opened_and_planned_again(crew):
    branch, (one, _), orders = crew
    factories.route(one, orders[:2], TODAY - timedelta(days=3))
    proposal = propose(branch)
    assert accounted(proposal)[orders[0].pk] == 1
    assert publishing.release_missed(now=NOW) == 2
    assert publishing.release_missed(now=NOW) == 0
    assert WorkOrder.objects.get(pk=orders[0].pk).state == OrderState.OPEN
    nothing_is_doubled()


def test_a_stop_no_longer_in_force_does_not_open_its_order(crew):
    _, (one, other), orders = crew
    yesterday = factories.route(one, orders[:1], TODAY - timedelta(days=1))
    StopOrder.objects.filter(stop__route=yesterday).update(is_in_force=False)
    today = factories.route(other, orders[:1])
    assert publishing.release_missed(now=NOW) == 0
    orders[0].refresh_from_db()
    assert orders[0].state == OrderState.ON_ROUTE
    assert StopOrder.objects.get(stop__route=today).is_in_force


@pytest.mark.parametrize(("zone", "is_missed"), [("America/Chicago", False), ("Etc/UTC", True)])
def test_a_day_has_gone_by_when_it_is_over_where_the_branch_is(zone, is_missed):
    technician = factories.technician(branch=factories.branch(time_zone=zone))
    factories.route(technician, [factories.work_order(factories.treatment_unit())], TODAY)
    evening = datetime(2026, 11, 3, 1, tzinfo=UTC)
    assert publishing.release_missed(now=evening) == is_missed


def test_working_out_twice_changes_nothing(crew):
    proposal = propose(crew[0])
    stops = list(Stop.objects.values())
    proposals.work_out(proposal.pk, now=NOW)
    assert list(Stop.objects.values()) == stops


def test_a_planner_that_breaks_leaves_a_failed_proposal_with_a_remedy(crew, monkeypatch):
    def broken(*args, **kwargs):
        raise RuntimeError("no such luck")

    monkeypatch.setitem(solver_process.WORK, "plan", broken)
    with pytest.raises(RuntimeError):
        propose(crew[0])
    row = RouteProposal.objects.get()
    assert row.state == ProposalState.FAILED
    assert "no such luck" in row.problems[0]["message"]
    assert row.problems[0]["remedy"]
    assert not Route.objects.exists()


def test_a_proposal_the_queue_forgot_is_given_up_with_a_remedy_and_a_fresh_one_is_not(crew):
    lost, fresh = (
        proposals.start(first_on=TUESDAY, days=2, branch=crew[0], seconds=60, now=made)
        for made in (NOW - timedelta(hours=3), NOW)
    )
    assert proposals.give_up_lost(now=NOW) == 1
    lost.refresh_from_db()
    fresh.refresh_from_db()
    assert (lost.state, fresh.state) == (ProposalState.FAILED, ProposalState.RUNNING)
    assert lost.problems[0]["remedy"]


def test_a_wish_to_stop_reaches_the_planner_and_progress_the_row(crew):
    row = proposals.start(first_on=TUESDAY, days=2, branch=crew[0], seconds=2, now=NOW)
    proposals.cancel(row)
    told = []
    proposals.work_out(row.pk, now=NOW, on_progress=lambda share, words: told.append(share))
    row.refresh_from_db()
    assert row.state == ProposalState.READY
    assert row.progress == 1.0
    assert told == sorted(told)


def test_absences_skills_promises_and_access_hours_reach_the_planner(crew):
    branch, (one, two), orders = crew
    skill = Skill.objects.create(code="electric", name="Electrician")
    two.skills.add(skill)
    orders[0].skills.add(skill)
    WorkOrder.objects.filter(pk=orders[1].pk).update(promised_on=TUESDAY)
    Absence.objects.create(technician=one, first_on=TUESDAY, last_on=TUESDAY)
    AccessHours.objects.create(site=orders[2].site, weekday=1, opens_at=time(13), closes_at=time(15))
    built = routes_problem.build(branch, TUESDAY, 2, NOW)
    jobs = {job.id: job for job in built.problem.jobs}
    ids = [f"W{order.pk:06d}" for order in orders]
    assert jobs[ids[0]].skills == {"electric"}
    assert jobs[ids[1]].pin.day == TUESDAY
    assert jobs[ids[2]].access.on(TUESDAY) == ((13 * 3600, 15 * 3600),)
    assert jobs[ids[2]].access.on(TUESDAY + timedelta(days=1)) == ()
    assert (one.code, TUESDAY) not in {(shift.technician_id, shift.day) for shift in built.problem.shifts}


def test_hours_of_a_site_in_another_zone_are_put_on_the_branch_clock(crew):
    branch, _, orders = crew
    site = orders[0].site
    site.time_zone = "America/Denver"
    site.save()
    AccessHours.objects.create(site=site, weekday=1, opens_at=time(8), closes_at=time(12))
    built = routes_problem.build(branch, TUESDAY, 1, NOW)
    job = next(job for job in built.problem.jobs if job.id == f"W{orders[0].pk:06d}")
    assert job.access.on(TUESDAY) == ((9 * 3600, 13 * 3600),)  # Chicago is an hour ahead of Denver


def test_a_part_no_van_holds_is_the_reason_only_where_vans_are_counted(crew):
    branch, people, orders = crew
    kind = factories.part_kind()
    orders[0].needed_parts.create(kind=kind)
    left = propose(branch).unplaced.filter(order=orders[0])
    assert not left, [str(one.reason) for one in left]
    for one in people:
        factories.van(one, factories.part_kind(), 3)
    assert propose(branch).unplaced.get(order=orders[0]).reason == Reason.NO_PART


def test_a_technician_without_hours_is_named(crew):
    branch, (one, _), _ = crew
    one.shifts.all().delete()
    told = [problem for problem in propose(branch).problems if one.name in problem["what"]]
    assert told[0]["remedy"]


def test_two_branches_are_planned_together_each_with_its_own_people(crew):
    _, _, orders = crew
    other = factories.technician()
    far = factories.work_order(factories.treatment_unit(site=factories.site(branch=other.branch)))
    proposal = propose()
    assert accounted(proposal) == {order.pk: 1 for order in [*orders, far]}
    for link in StopOrder.objects.filter(stop__route__proposal=proposal):
        assert link.stop.route.technician.branch_id == link.order.site.branch_id


def test_every_reason_of_the_planner_fits_its_column():
    longest = max(len(reason.value.removesuffix(" now")) for reason in Reason)
    assert longest <= 40


def test_a_day_of_the_clock_change_keeps_wall_time():
    branch = factories.branch(time_zone="America/Chicago")
    factories.technician(branch=branch)
    day = date(2027, 3, 15)  # the Monday after the clocks went forward
    factories.work_order(
        factories.treatment_unit(site=factories.site(branch=branch)), window_from=day, window_to=day
    )
    proposal = propose(branch, first_on=day, days=1)
    leaves = proposal.routes.get().leaves_at
    assert leaves >= datetime(2027, 3, 15, 13, tzinfo=UTC)  # 8 o'clock, five hours behind now


def test_travel_legs_are_kept_and_found_again():
    legs = LegsInDatabase()
    key = (41.00001, -93.12345, 41.2, -93.0)
    back = (41.2, -93.0, 41.00001, -93.12345)
    engine = "http://road.example/" + "x" * 80
    legs.store(engine, {key: (600, 9000)})
    legs.store(engine, {key: (700, 9000)})
    assert legs.fetch(engine, [key, back]) == {key: (600, 9000)}
    assert legs.fetch("another", [key]) == {}
    assert TravelLeg.objects.count() == 1


def test_the_second_of_two_planners_is_told_of_the_firsts_plan(crew):
    branch, _, _ = crew
    one, other = factories.person(role="planner"), factories.person(role="planner")
    first, second = propose(branch, by=one), propose(branch, by=other)
    publishing.publish(first, by=one, now=NOW + timedelta(minutes=5))
    with pytest.raises(DomainError, match=f"Plan {first.pk}"):
        publishing.publish(second, by=other, now=NOW + timedelta(minutes=6))
    assert set(Route.objects.filter(is_in_force=True).values_list("proposal_id", flat=True)) == {first.pk}


def test_plans_stand_newest_first_and_a_replaced_one_says_so(crew):
    branch, _, _ = crew
    made = [propose(branch, now=NOW + timedelta(minutes=minute)) for minute in range(3)]
    for row in made[:2]:
        publishing.publish(row, by=None, now=NOW + timedelta(hours=1))
    rows = proposal_rows(branch.pk)
    assert [row.pk for row in rows] == [row.pk for row in reversed(made)]
    assert [row.is_replaced for row in rows] == [False, False, True]
    made[0].refresh_from_db()
    assert made[0].state_word == "Replaced"


def test_an_order_promised_anew_leaves_the_old_plan(crew):
    branch, _, _ = crew
    publishing.publish(propose(branch), by=None, now=NOW)
    link = StopOrder.objects.filter(is_in_force=True).select_related("stop__route").first()
    other_day = link.stop.route.day + timedelta(days=2)
    order = promises.promise(link.order, other_day, by=None, now=NOW)
    assert (order.state, order.promised_on) == (OrderState.OPEN, other_day)
    assert not order.stops.filter(is_in_force=True).exists()
    nothing_is_doubled()
