"""The planner's hands through the pages: roles, branches, the effect before the keeping, constant queries."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from scheduling.models import Absence, PlanPriceList, ProposalState, StopOrder, TravelCorrection, WorkOrder
from scheduling.routes import change_pages, moves
from shared.roles import Permission, Role, may
from tests import factories as make
from tests.scheduling.hands import TUESDAY, accounted, crew, due_on, plan, spot

pytestmark = pytest.mark.django_db
WEDNESDAY = TUESDAY + timedelta(days=1)


@pytest.fixture
def planner(client, time_machine):
    time_machine.move_to(make.NOW, tick=False)
    client.force_login(make.person("planner"))
    return client


def addresses(row, order):
    stop = StopOrder.objects.filter(stop__route__proposal=row).first().stop
    return [
        (Permission.PLAN_ROUTES, "get", reverse("move_stop", args=[row.pk]) + f"?order={order.pk}"),
        (Permission.PLAN_ROUTES, "post", reverse("undo_move", args=[row.pk])),
        (Permission.PLAN_ROUTES, "post", reverse("pin_stop", args=[row.pk, stop.pk])),
        (Permission.SEE_WORK, "get", reverse("plan_changes", args=[row.pk])),
        (Permission.SEE_WORK, "get", reverse("compare_plans", args=[row.pk])),
        (Permission.MANAGE_WORK, "get", reverse("promise_order", args=[order.pk])),
        (Permission.PLAN_ROUTES, "get", reverse("replan")),
        (Permission.PLAN_ROUTES, "get", reverse("travel_times")),
        (Permission.PLAN_ROUTES, "get", reverse("plan_prices")),
        (Permission.PLAN_ROUTES, "get", reverse("feeds")),
        (Permission.SEE_OWN_DAY, "get", reverse("my_calendar")),
        (Permission.SEE_WORK, "get", reverse("route_gpx", args=[row.routes.first().pk])),
        (Permission.SEE_OWN_DAY, "get", reverse("own_gpx", args=["2026-11-03"])),
    ]


@pytest.mark.parametrize("role", list(Role))
def test_each_page_opens_for_the_roles_of_the_table_only(client, time_machine, role):
    time_machine.move_to(make.NOW, tick=False)
    branch, _, orders = crew(orders=2)
    row = plan(branch)
    client.force_login(make.person(role))
    for permission, method, address in addresses(row, orders[0]):
        answer = getattr(client, method)(address)
        assert (answer.status_code != 403) == may(role, permission), (role, address)


def test_strangers_are_sent_to_the_log_in(client):
    branch, _, orders = crew(orders=2)
    row = plan(branch)
    for _, method, address in addresses(row, orders[0]):
        answer = getattr(client, method)(address)
        assert answer.status_code == 302
        assert answer.url.startswith(reverse("log_in"))


def test_a_planner_of_another_branch_finds_nothing(client, time_machine):
    time_machine.move_to(make.NOW, tick=False)
    branch, people, orders = crew(orders=2)
    row = plan(branch)
    client.force_login(make.person("planner", branch=make.branch()))
    for _, method, address in addresses(row, orders[0])[:6]:
        assert getattr(client, method)(address).status_code == 404, address
    assert client.post(reverse("switch_feed_off", args=[people[0].pk])).status_code == 404


def test_a_move_is_shown_then_kept_then_undone(planner):
    branch, people, orders = crew()
    row = plan(branch)
    who, day = spot(row, orders[0])
    to = next(one for one in people if one != who)
    address = reverse("move_stop", args=[row.pk])
    wish = {"order": orders[0].pk, "technician": to.pk, "day": day.isoformat()}
    page = planner.get(address, wish)
    assert "Save this move" in page.content.decode()
    assert to.name in page.context["effect"].people
    assert spot(row, orders[0]) == (who, day)
    kept = planner.post(address, wish | {"seen": page.context["seen"]})
    assert kept.url == reverse("proposal", args=[row.pk])
    assert spot(row, orders[0]) == (to, day)
    changes = planner.get(reverse("plan_changes", args=[row.pk])).content.decode()
    assert f"moved to {to.name}" in changes
    planner.post(reverse("undo_move", args=[row.pk]))
    assert spot(row, orders[0]) == (who, day)


def test_a_move_that_breaks_a_rule_shows_why_and_offers_no_keeping(planner):
    branch, people, orders = crew()
    row = plan(branch)
    Absence.objects.create(technician=people[1], first_on=WEDNESDAY, last_on=WEDNESDAY)
    order = next(one for one in orders if spot(row, one) != (people[1], WEDNESDAY))
    WorkOrder.objects.filter(pk=order.pk).update(promised_on=None)
    wish = {"order": order.pk, "technician": people[1].pk, "day": WEDNESDAY.isoformat()}
    page = planner.get(reverse("move_stop", args=[row.pk]), wish).content.decode()
    assert "Save this move" not in page
    assert "absent" in page


def test_a_stale_move_is_not_kept(planner):
    branch, people, orders = crew()
    row = plan(branch)
    who, day = spot(row, orders[0])
    to = next(one for one in people if one != who)
    wish = {"order": orders[0].pk, "technician": to.pk, "day": day.isoformat(), "seen": "7"}
    answer = planner.post(reverse("move_stop", args=[row.pk]), wish)
    assert answer.status_code == 422
    assert "Somebody changed this plan" in answer.content.decode()
    assert spot(row, orders[0]) == (who, day)


def test_pin_and_promise_on_the_page(planner):
    branch, _, orders = crew()
    row = plan(branch)
    stop = StopOrder.objects.get(stop__route__proposal=row, order=orders[0]).stop
    planner.post(reverse("pin_stop", args=[row.pk, stop.pk]), {"pinned": "yes"})
    stop.refresh_from_db()
    assert stop.is_pinned
    answer = planner.post(reverse("promise_order", args=[orders[0].pk]), {"day": "2026-10-01"})
    assert answer.status_code == 422
    assert "has passed" in answer.content.decode()
    planner.post(reverse("promise_order", args=[orders[0].pk]), {"day": WEDNESDAY.isoformat()})
    orders[0].refresh_from_db()
    assert orders[0].promised_on == WEDNESDAY


def test_comparing_says_what_changed_for_whom_and_what_promise_moved(planner):
    branch, _, orders = crew()
    first = plan(branch)
    second = plan(branch)
    who, day = spot(second, orders[0])
    moves.keep_move(second, [orders[0]], None, None, seen=0, by=None, now=make.NOW)
    WorkOrder.objects.filter(pk=orders[0].pk).update(promised_on=day)
    page = planner.get(reverse("compare_plans", args=[second.pk]), {"with": first.pk})
    change = next(one for one in page.context["effect"].changes if one["pk"] == orders[0].pk)
    assert who.name in change["was"]
    assert change["now"] == "not scheduled"
    assert change["promise_moved"]
    assert page.context["effect"].promises_moved == 1


def test_a_plan_of_one_branch_can_be_compared_with_one_of_all_branches(planner):
    branch, _, _ = crew(2, 4)
    of_all, own = plan(None), plan(branch)
    assert [one.pk for one in change_pages.others_to_compare(own)] == [of_all.pk]


def test_the_sick_call_form_writes_down_what_is_wanted(planner):
    branch, _, orders = crew(3, 9)
    due_on(TUESDAY, orders[:3])
    row = plan(branch, is_published=True)
    sick = row.routes.filter(day=TUESDAY).first().technician
    form = {"branch": branch.pk, "technician": sick.pk, "first_on": TUESDAY.isoformat(), "seconds": 1}
    answer = planner.post(reverse("replan"), form)
    made = row.__class__.objects.get(replan__isnull=False)
    assert made.state == ProposalState.RUNNING, "the task starts when the request's own writes are kept"
    address = reverse("replan_result", args=[made.pk])
    assert answer.url == address
    made.progress_text = "improving"
    made.save()
    page = planner.get(address).content.decode()
    assert "improving" in page
    progress = reverse("replan_progress", args=[made.pk])
    assert progress in page
    assert "improving" in planner.get(progress).content.decode()
    stopped = planner.post(reverse("stop_proposal", args=[made.pk]), {"next": address})
    assert stopped.url == address
    away = planner.post(reverse("stop_proposal", args=[made.pk]), {"next": "https://elsewhere.example/"})
    assert away.url == reverse("proposal", args=[made.pk])
    made.refresh_from_db()
    assert made.wants_stop
    made.__class__.objects.filter(pk=made.pk).update(state=ProposalState.READY)
    assert planner.get(progress).headers["HX-Redirect"] == address


@pytest.mark.django_db(transaction=True)
def test_a_sick_call_from_the_form_to_the_published_plan_and_back(planner):
    branch, _, orders = crew(3, 6)
    due_on(TUESDAY, orders[:3])
    row = plan(branch, is_published=True)
    sick = row.routes.filter(day=TUESDAY).first().technician
    form = {"branch": branch.pk, "technician": sick.pk, "first_on": TUESDAY.isoformat(), "seconds": 1}
    address = planner.post(reverse("replan"), form).url
    page = planner.get(address)
    assert "Every promise is kept" in page.content.decode()
    new = page.context["row"]
    assert accounted(new) == {order.pk: 1 for order in orders}
    planner.post(reverse("publish_proposal", args=[new.pk]))
    assert not new.routes.filter(technician=sick, day=TUESDAY).exists()
    assert new.routes.filter(is_in_force=True).exists()
    planner.post(reverse("undo_replan", args=[new.pk]))
    assert not Absence.objects.exists()
    assert row.routes.filter(is_in_force=True).exists()


def test_the_sick_call_form_names_what_is_wrong(planner):
    branch, people, _ = crew(2, 2)
    plan(branch, is_published=True)
    form = {"branch": branch.pk, "technician": people[0].pk, "first_on": "2026-10-01", "seconds": 1}
    assert "has passed" in planner.post(reverse("replan"), form).content.decode()
    form = {"branch": branch.pk, "technician": "", "urgent": "W999999", "seconds": 1}
    assert "There is no order W999999" in planner.post(reverse("replan"), form).content.decode()
    assert not Absence.objects.exists()


def test_a_drive_set_by_hand_is_kept_once_for_both_ways(planner):
    one, two = make.site(), make.site()
    address = reverse("travel_times")
    planner.post(address, {"site_a": one.code, "site_b": two.code, "minutes": 50, "because": "ferry"})
    planner.post(address, {"site_a": two.code, "site_b": one.code, "minutes": 55})
    assert TravelCorrection.objects.get().minutes == 55
    assert planner.post(address, {"site_a": one.code, "site_b": one.code, "minutes": 5}).status_code == 422
    unknown = planner.post(address, {"site_a": "nowhere", "site_b": one.code, "minutes": 5})
    assert "There is no site" in unknown.content.decode()
    planner.post(reverse("remove_travel_time", args=[TravelCorrection.objects.get().pk]))
    assert not TravelCorrection.objects.exists()


def test_prices_are_kept_by_date_and_refused_for_the_past(planner):
    address = reverse("plan_prices")
    form = planner.get(address).context["form"]
    values = {name: field.value() for name, field in ((one.name, one) for one in form)}
    values |= {"late_day_minutes": 300, "lunch_earliest": "11:00", "lunch_latest": "13:00"}
    planner.post(address, values | {"from_on": TUESDAY.isoformat()})
    assert PlanPriceList.objects.get().late_day_minutes == 300
    past = planner.post(address, values | {"from_on": "2026-10-01"})
    assert past.status_code == 422
    assert "has passed" in past.content.decode()
    wrong = values | {"from_on": TUESDAY.isoformat(), "carry_over_most_minutes": 1}
    assert "may not be below the least" in planner.post(address, wrong).content.decode()


@pytest.mark.parametrize("name", ["plan_changes", "compare_plans", "move_stop"])
def test_the_number_of_queries_does_not_grow_with_the_plan(planner, name):
    counts = []
    for size in (4, 9):
        branch, _, orders = crew(orders=size)
        row, other = plan(branch), plan(branch)
        address = reverse(name, args=[row.pk])
        wish = {"compare_plans": {"with": other.pk}, "move_stop": {"order": orders[0].pk}}.get(name, {})
        with CaptureQueriesContext(
            connection,
        ) as counted:
            assert planner.get(address, wish).status_code == 200
        counts.append(len(counted))
    assert counts[0] == counts[1]
