"""Technicians and the calendar: each act in one form, each refusal at its field, each branch its own."""

from datetime import timedelta

import pytest
from django.urls import reverse

from fleet.models import AuditEntry, Person
from scheduling.models import (
    Absence,
    CalendarDay,
    HolidayRegion,
    OrderState,
    Route,
    SiteClosure,
    StockPlace,
    Technician,
    WorkOrder,
)
from scheduling.routes import leaving
from shared.errors import DomainError
from tests import factories
from tests.factories import NOW, TODAY

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]
THURSDAY = TODAY + timedelta(days=3)
WEEK = {"weekdays": ["0", "1", "2"], "starts_at": "07:00", "ends_at": "15:00", "lunch_minutes": "30"}


@pytest.fixture
def at_now(time_machine):
    time_machine.move_to(NOW, tick=False)


@pytest.fixture
def who():
    return factories.technician()


@pytest.fixture
def planner(client, who):
    client.force_login(factories.person("planner", branch=who.branch))
    return client


def test_thursday_ten_to_twelve_off_by_one_form_and_taken_back_by_one_button(planner, who):
    given = {"first_on": THURSDAY, "starts_at": "10:00", "ends_at": "12:00", "reason": "Dentist"}
    assert planner.post(reverse("add_absence", args=[who.code]), given).status_code == 302
    page = planner.get(reverse("technician", args=[who.code])).content.decode()
    assert "10:00–12:00" in page
    entry = AuditEntry.objects.get(what="absence written")
    assert "Dentist" not in entry.detail
    planner.post(reverse("end_absence", args=[Absence.objects.get().pk]))
    assert not Absence.objects.exists()


def test_an_absence_that_ends_before_it_begins_is_refused_at_its_field(planner, who):
    given = {"first_on": THURSDAY, "last_on": TODAY}
    answer = planner.post(reverse("add_absence", args=[who.code]), given)
    assert answer.status_code == 422
    assert answer.context["absence_form"].errors["last_on"]
    assert not Absence.objects.exists()


def test_two_weeks_closure_by_one_form_stands_on_the_sites_page(planner, who):
    site = factories.site(branch=who.branch)
    given = {"first_on": THURSDAY, "last_on": THURSDAY + timedelta(days=13), "reason": "Rebuilding"}
    assert planner.post(reverse("site_closures", args=[site.code]), given).status_code == 302
    assert "Rebuilding" in planner.get(reverse("site_page", args=[site.code])).content.decode()
    assert planner.post(reverse("site_closures", args=[site.code]), given).status_code == 422
    planner.post(reverse("end_closure", args=[SiteClosure.objects.get().pk]))
    assert not SiteClosure.objects.exists()


def test_a_newcomer_comes_with_week_and_van_at_the_branchs_place(planner, who):
    who.branch.latitude, who.branch.longitude = 41.5, -93.5
    who.branch.save()
    given = {"name": "Mara Quist", "branch": who.branch.pk, "works_from": THURSDAY, "with_van": "on", **WEEK}
    answer = planner.post(reverse("new_technician"), given)
    made = Technician.objects.get(code="mara-quist")
    assert answer.headers["Location"] == reverse("technician", args=["mara-quist"])
    assert (made.start_latitude, made.works_from, made.shifts.count()) == (41.5, THURSDAY, 3)
    assert StockPlace.objects.get(technician=made).branch == who.branch


def test_a_technician_begins_the_day_in_a_town_or_is_refused_one_that_nobody_knows(planner, who):
    given = {"name": "Mara Quist", "branch": who.branch.pk, "works_from": THURSDAY, **WEEK}
    unknown = planner.post(reverse("new_technician"), given | {"starts_in": "Qqwwzz"})
    assert "Give the degrees" in str(unknown.context["form"].errors["starts_in"])
    planner.post(reverse("new_technician"), given | {"starts_in": "Ames, IA"})
    made = Technician.objects.get(code="mara-quist")
    # Ames, Iowa: 42°02′ N 93°37′ W, U.S. Census Bureau Gazetteer; value from memory.
    assert (made.start_latitude, made.start_longitude) == pytest.approx((42.03, -93.62), abs=0.05)
    address = reverse("change_technician", args=[made.code])
    nowhere = planner.post(address, {"name": made.name})
    assert nowhere.context["details_form"].errors["start_latitude"]
    planner.post(address, {"name": made.name, "starts_in": "50309"})
    made.refresh_from_db()
    # 50309 is in Des Moines: 41°35′ N 93°37′ W, by the same.
    assert made.start_latitude == pytest.approx(41.58, abs=0.05)


@pytest.mark.parametrize(
    ("spoiled", "field"),
    [
        ({"ends_at": "06:00"}, "ends_at"),
        ({"weekdays": []}, "weekdays"),
        ({"lunch_minutes": "500"}, "lunch_minutes"),
        ({}, "start_latitude"),
    ],
)
def test_a_newcomer_that_can_not_be_is_refused_and_nothing_is_written(planner, who, spoiled, field):
    if not spoiled:
        who.branch.latitude = who.branch.longitude = None
        who.branch.save()
    given = {"name": "Mara Quist", "branch": who.branch.pk, "works_from": THURSDAY, **WEEK, **spoiled}
    answer = planner.post(reverse("new_technician"), given)
    assert answer.status_code == 422
    assert answer.context["form"].errors[field]
    assert Technician.objects.get() == who


def test_a_week_changed_from_a_day_and_details_with_old_and_new_in_the_trail(planner, who):
    assert (
        planner.post(reverse("set_pattern", args=[who.code]), {"from_on": THURSDAY, **WEEK}).status_code
        == 302
    )
    assert who.shifts.filter(from_on=THURSDAY).count() == 3
    assert who.shifts.count() == 8
    late = planner.post(
        reverse("set_pattern", args=[who.code]), {"from_on": TODAY - timedelta(days=9), **WEEK}
    )
    assert late.context["pattern_form"].errors["from_on"]
    given = {"name": "New Name", "start_latitude": "41.2", "start_longitude": "-93", "person": who.person_id}
    planner.post(reverse("change_technician", args=[who.code]), given)
    assert "→ New Name" in AuditEntry.objects.get(what="technician changed").detail


def test_a_planner_neither_sees_nor_changes_what_an_hour_costs(planner, client, who):
    assert "cost_per_hour" not in planner.get(reverse("technician", args=[who.code])).content.decode()
    given = {"name": who.name, "start_latitude": "41.2", "start_longitude": "-93", "cost_per_hour": "1"}
    planner.post(reverse("change_technician", args=[who.code]), given)
    who.refresh_from_db()
    assert who.cost_per_hour == 40
    client.force_login(factories.person("owner"))
    client.post(reverse("change_technician", args=[who.code]), given)
    who.refresh_from_db()
    assert who.cost_per_hour == 1


def test_a_leaver_leaves_routes_and_named_work_to_others_and_is_shut_out_after_the_last_day(planner, who):
    site = factories.site(branch=who.branch)
    orders = [factories.work_order(factories.treatment_unit(site=site)) for _ in range(3)]
    WorkOrder.objects.filter(pk=orders[1].pk).update(promised_on=THURSDAY, preferred_technician=who)
    WorkOrder.objects.filter(pk=orders[2].pk).update(preferred_technician=who)
    kept, freed = (
        factories.route(who, [order], day) for order, day in zip(orders, (TODAY, THURSDAY), strict=False)
    )
    last = TODAY + timedelta(days=1)
    page = planner.get(reverse("technician_leaves", args=[who.code]), {"last_on": last})
    assert [link.order_id for link in page.context["left"].stops] == [orders[1].pk]
    assert {order.pk for order in page.context["left"].preferred} == {orders[1].pk, orders[2].pk}
    planner.post(reverse("technician_leaves", args=[who.code]), {"last_on": last})
    state = dict(WorkOrder.objects.values_list("pk", "state"))
    assert [state[order.pk] for order in orders] == [OrderState.ON_ROUTE, OrderState.OPEN, OrderState.OPEN]
    assert WorkOrder.objects.get(pk=orders[1].pk).promised_on == THURSDAY
    assert not WorkOrder.objects.filter(preferred_technician=who).exists()
    assert list(Route.objects.filter(is_in_force=True)) == [kept]
    assert not Route.objects.get(pk=freed.pk).is_in_force
    assert leaving.end_last_days(today=last, now=NOW) == 0
    assert leaving.end_last_days(today=last + timedelta(days=1), now=NOW) == 1
    who.refresh_from_db()
    assert not who.is_active
    assert not Person.objects.get(pk=who.person_id).is_active


def test_a_last_day_before_finished_stops_or_the_first_day_is_refused(who):
    order = factories.work_order(factories.treatment_unit(site=factories.site(branch=who.branch)))
    factories.route(who, [order], THURSDAY)
    WorkOrder.objects.filter(pk=order.pk).update(state=OrderState.DONE, ended_at=NOW)
    with pytest.raises(DomainError, match="finished stops"):
        leaving.leave(who, last_on=TODAY, today=TODAY, by=None, now=NOW)
    who.works_from = THURSDAY
    who.save()
    with pytest.raises(DomainError, match="begins on"):
        leaving.leave(who, last_on=TODAY, today=TODAY, by=None, now=NOW)


def test_the_owner_sets_the_region_and_a_planner_only_days_of_the_own_branch(planner, client, who):
    assert planner.post(reverse("set_holiday_region"), {"country": "US"}).status_code == 403
    day = {"day": THURSDAY, "is_worked": "no", "reason": "Stocktaking"}
    planner.post(reverse("set_calendar_day"), {"branch": who.branch_id, **day})
    assert (
        planner.post(reverse("set_calendar_day"), {"branch": factories.branch().pk, **day}).status_code == 422
    )
    assert CalendarDay.objects.get().branch == who.branch
    assert "Stocktaking" in planner.get(reverse("company_calendar")).content.decode()
    client.force_login(factories.person("owner"))
    client.post(reverse("set_holiday_region"), {"country": "US", "subdivision": "TX"})
    assert str(HolidayRegion.objects.get()) == "US-TX"
    assert client.post(reverse("set_holiday_region"), {"country": "QQ"}).status_code == 422


ACTS = (
    "technician",
    "add_absence",
    "set_pattern",
    "change_technician",
    "technician_leaves",
    "technician_stays",
)


@pytest.mark.parametrize("name", ACTS)
def test_another_branchs_technician_is_not_there(client, who, name):
    client.force_login(factories.person("planner", branch=factories.branch()))
    address = reverse(name, args=[who.code])
    answer = client.get(address) if name == "technician" else client.post(address)
    assert answer.status_code == 404


def test_another_branchs_site_and_absence_are_not_there(client, who):
    site = factories.site(branch=who.branch)
    absence = Absence.objects.create(technician=who, first_on=THURSDAY, last_on=THURSDAY)
    closure = SiteClosure.objects.create(site=site, first_on=THURSDAY, last_on=THURSDAY)
    client.force_login(factories.person("planner", branch=factories.branch()))
    assert client.post(reverse("site_closures", args=[site.code])).status_code == 404
    assert client.post(reverse("end_absence", args=[absence.pk])).status_code == 404
    assert client.post(reverse("end_closure", args=[closure.pk])).status_code == 404
