"""Hours promised to a customer: kept by every plan, told wherever the visit stands, or refused."""

from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.db import IntegrityError, transaction
from django.urls import reverse

from scheduling.models import AccessHours, OrderState, StopOrder, WorkOrder
from scheduling.routes import promises, publishing
from shared.errors import DomainError
from tests import factories
from tests.factories import NOW, TODAY
from tests.scheduling.customers.notice_parts import DAY, stop_for, tell
from tests.scheduling.hands import TUESDAY, crew, plan, spot
from tests.scheduling.pdf_text import pdf_text

pytestmark = pytest.mark.django_db
AFTERNOON = (time(14), time(15))
CHICAGO = ZoneInfo("America/Chicago")


def starts(row, order):
    """When a plan has an order begin, by the site's clock, at the earliest and latest within its stop."""
    stop = StopOrder.objects.get(stop__route__proposal=row, order=order).stop
    zone = ZoneInfo(order.site.time_zone)
    latest = stop.leaves_at - timedelta(minutes=order.minutes)
    return tuple(at.astimezone(zone).replace(tzinfo=None) for at in (stop.starts_at, latest))


@pytest.mark.parametrize("zone", ["America/Chicago", "America/Denver"])
def test_a_plan_begins_within_the_hours_by_the_site_s_clock_and_leaves_nothing_else_out(zone):
    branch, _, orders = crew()
    site = orders[0].site
    site.time_zone = zone
    site.save()
    twin = factories.work_order(orders[0].treatment_unit, window_to=orders[0].window_to)
    promises.promise(orders[0], TUESDAY, hours=AFTERNOON, by=None, now=NOW)
    row = plan(branch)
    begins, ends = (datetime.combine(TUESDAY, at) for at in AFTERNOON)
    assert begins <= starts(row, orders[0])[0]
    assert starts(row, orders[0])[1] <= ends
    assert all(spot(row, order) for order in [*orders, twin])
    publishing.publish(row, by=None, now=NOW)


def test_a_plan_made_before_the_promise_is_not_published_against_it():
    branch, _, orders = crew(orders=1)
    WorkOrder.objects.update(window_to=TUESDAY)
    row = plan(branch, days=1)
    late = (time(16), time(16, 30))
    assert starts(row, orders[0])[0].time() < late[0]
    promises.promise(orders[0], TUESDAY, hours=late, by=None, now=NOW)
    with pytest.raises(DomainError):
        publishing.publish(row, by=None, now=NOW)
    again = plan(branch, days=1, is_published=True)
    assert late[0] <= starts(again, orders[0])[0].time() <= late[1]


def test_a_published_visit_stays_where_the_hours_hold_it_and_is_open_again_where_they_do_not():
    branch, _, orders = crew(orders=1)
    row = plan(branch, is_published=True)
    begins, _ = starts(row, orders[0])
    day = begins.date()
    around = tuple((begins + timedelta(minutes=by)).time() for by in (-20, 20))
    assert promises.promise(orders[0], day, hours=around, by=None, now=NOW).state == OrderState.ON_ROUTE
    after = tuple((begins + timedelta(minutes=by)).time() for by in (30, 90))
    order = promises.promise(orders[0], day, hours=after, by=None, now=NOW)
    assert (order.state, order.promised_hours) == (OrderState.OPEN, after)
    assert promises.promise(order, day, by=None, now=NOW).promised_hours is None


@pytest.mark.parametrize(
    ("begins", "ends", "said"),
    [
        (time(11, 30), time(12), "do not fit in"), (time(13), time(14), "do not fit in"),
        (time(11), time(10), "before they begin"),
    ],
)  # fmt: skip
def test_hours_outside_the_site_s_or_turned_round_are_refused_on_the_page(
    client, time_machine, begins, ends, said
):
    time_machine.move_to(NOW, tick=False)
    _, _, (order,) = crew(orders=1)
    AccessHours.objects.create(
        site=order.site, weekday=TUESDAY.weekday(), opens_at=time(8), closes_at=time(12)
    )
    client.force_login(factories.person("planner"))
    address = reverse("promise_order", args=[order.pk])
    sent = {"day": TUESDAY.isoformat(), "begins": f"{begins:%H:%M}", "ends": f"{ends:%H:%M}"}
    page = client.post(address, sent)
    assert page.status_code == 422
    assert said in page.content.decode()
    assert "Fill in both hours" in client.post(address, sent | {"ends": ""}).content.decode()
    assert "Hours need their day" in client.post(address, sent | {"day": ""}).content.decode()
    assert WorkOrder.objects.get().promised_on is None
    client.post(address, sent | {"begins": "10:00", "ends": "11:20"})
    assert WorkOrder.objects.get().promised_hours == (time(10), time(11, 20))
    assert "10:00–11:20" in client.get(reverse("work_order", args=[order.pk])).content.decode()


def test_hours_that_are_over_today_are_refused():
    _, _, (order,) = crew(orders=1)
    here = NOW.astimezone(CHICAGO)
    assert here.hour > 2
    with pytest.raises(DomainError, match="has passed"):
        promises.promise(order, here.date(), hours=(time(1), time(2)), by=None, now=NOW)


def test_the_database_holds_no_hours_without_a_day_or_turned_round():
    _, _, (order,) = crew(orders=1)
    for wrong in (
        {"promised_from": time(9), "promised_until": time(10)},
        {"promised_on": TODAY, "promised_from": time(9)},
        {"promised_on": TODAY, "promised_from": time(10), "promised_until": time(9)},
    ):
        with pytest.raises(IntegrityError), transaction.atomic():
            WorkOrder.objects.filter(pk=order.pk).update(**wrong)


def test_board_route_day_and_paper_tell_the_hours(client, time_machine):
    time_machine.move_to(NOW, tick=False)
    branch, _, orders = crew(orders=2)
    promises.promise(orders[0], TUESDAY, hours=AFTERNOON, by=None, now=NOW)
    row = plan(branch, is_published=True)
    route = row.routes.get(stops__orders__order=orders[0])
    told = "promised 14:00–15:00"
    client.force_login(factories.person("planner"))
    for address in (reverse("proposal", args=[row.pk]), reverse("route", args=[route.pk])):
        assert client.get(address).content.decode().count(told) == 1
    assert "14:00–15:00" in pdf_text(client.get(reverse("work_sheet", args=[route.pk])).content)
    client.force_login(route.technician.person)
    assert told in client.get(reverse("day", args=[TUESDAY.isoformat()])).content.decode()


def test_the_customer_is_told_the_hours_that_were_promised_and_once():
    stop = stop_for(2)
    # 9:20 UTC in November is 3:20 in Chicago.
    order = stop.orders.first().order
    promises.promise(order, DAY, hours=(time(3), time(7)), by=None, now=NOW)
    (letter,) = tell()
    assert "between 3:00 and 7:00" in letter.subject
    assert tell() == []
    promises.promise(order, DAY, hours=(time(2), time(3, 45)), by=None, now=NOW)
    (letter,) = tell()
    assert "Visit moved" in letter.subject
    assert "between 2:00 and 3:45" in letter.subject
    assert tell(NOW + timedelta(hours=5)) == []
