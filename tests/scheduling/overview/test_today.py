"""Today on the road: how far each is by what was closed, who runs late, whose door will be shut by then."""

from datetime import time, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.urls import reverse

from scheduling.models import AccessHours, Visit
from scheduling.overview.today import today_on_the_road
from tests import factories as make

pytestmark = pytest.mark.django_db
TODAY = make.TODAY


@pytest.fixture
def route(now):
    """A route of three stops today; the first is planned to be left half an hour ago."""
    orders = [make.work_order(make.treatment_unit(), minutes=40) for _ in range(3)]
    route = make.route(make.technician(), orders, TODAY)
    for place, stop in enumerate(route.stops.order_by("place")):
        stop.arrives_at = now + timedelta(minutes=-70 + 60 * place)
        stop.starts_at = stop.arrives_at
        stop.leaves_at = stop.arrives_at + timedelta(minutes=40)
        stop.save()
    return route


def seen(now):
    """The only technician's day."""
    (day,) = today_on_the_road(now=now, today=TODAY, branch_id=None)
    return day


def close(stop, at):
    """Close out a stop's orders at a moment."""
    Visit.objects.create(
        site=stop.site, technician=stop.route.technician, stop=stop, finished_at=at, received_at=at
    )
    for placed in stop.orders.all():
        placed.order.state, placed.order.ended_at = "done", at
        placed.order.save()


def test_a_day_runs_by_what_was_closed_and_by_the_clock(route, now):
    first, second, third = route.stops.order_by("place")
    unclosed = seen(now)
    assert (unclosed.done, unclosed.stops, unclosed.next_stop) == (0, 3, first)
    # Planned for 70 minutes ago and not closed: it is 70 minutes behind at least.
    assert (unclosed.behind_minutes, unclosed.next_at) == (70, now)
    close(first, first.leaves_at - timedelta(minutes=5))
    # Left 5 minutes early; the second was planned for 10 minutes ago and may be under way: 10 behind.
    assert (seen(now).done, seen(now).next_stop, seen(now).behind_minutes) == (1, second, 10)
    close(second, now + timedelta(minutes=1))
    ahead = seen(now + timedelta(minutes=1))
    assert (ahead.done, ahead.behind_minutes) == (2, -29)
    assert ahead.next_at == third.arrives_at - timedelta(minutes=29)
    assert ahead.back_at == route.returns_at - timedelta(minutes=29)
    close(third, third.leaves_at)
    assert (seen(now).done, seen(now).next_stop, seen(now).next_at) == (3, None, None)


def test_a_site_that_will_have_closed_is_named_first(route, now, client, time_machine):
    time_machine.move_to(now)
    on_time = make.route(make.technician(), [make.work_order(make.treatment_unit())], TODAY)
    on_time.stops.update(arrives_at=now + timedelta(hours=1), leaves_at=now + timedelta(hours=2))
    last = route.stops.order_by("place").last()
    closes_at = (last.starts_at + timedelta(minutes=30)).astimezone(ZoneInfo(last.site.time_zone)).time()
    AccessHours.objects.create(
        site=last.site, weekday=TODAY.weekday(), opens_at=time(0, 1), closes_at=closes_at
    )
    late, other = today_on_the_road(now=now, today=TODAY, branch_id=None)
    assert (late.shut, other.shut) == ([last], [])
    client.force_login(make.person("planner"))
    page = client.get(reverse("planner_overview"))
    assert f"{last.site.name} will have closed" in page.content.decode()


def test_the_day_of_another_branch_is_not_shown_and_costs_the_same(route, now, django_assert_max_num_queries):
    assert today_on_the_road(now=now, today=TODAY, branch_id=make.branch().pk) == []
    for _ in range(3):
        make.route(make.technician(), [make.work_order(make.treatment_unit())], TODAY)
    with django_assert_max_num_queries(5):
        assert len(today_on_the_road(now=now, today=TODAY, branch_id=None)) == 4


def test_a_day_nobody_reports_is_not_forecast_into_the_night(route, now, client, time_machine):
    evening = now + timedelta(hours=6)
    day = seen(evening)
    assert (day.is_silent, day.behind_minutes, day.back_at, day.shut) == (True, 0, route.returns_at, [])
    time_machine.move_to(evening)
    client.force_login(make.person("planner"))
    assert "not closed out" in client.get(reverse("planner_overview")).content.decode()
