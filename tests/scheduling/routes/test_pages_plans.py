"""Asking for a plan, looking at it, publishing it; a route on the screen, on paper and on other maps."""

from datetime import timedelta

import pytest
from django.urls import reverse

from scheduling.models import Route, RouteProposal, UnplacedOrder, WorkOrder
from scheduling.routes import proposals as service
from scheduling.routes.maps import route_map
from scheduling.routes.selectors import load_list, route_rows
from tests import factories as make

pytestmark = pytest.mark.django_db
MONDAY = make.TODAY
NEXT = MONDAY + timedelta(days=1)


@pytest.fixture
def planner(client, time_machine):
    """A planner logged in at the tests' standing moment."""
    time_machine.move_to(make.NOW, tick=False)
    client.force_login(make.person("planner"))
    return client


@pytest.fixture
def week():
    """A ready proposal with one route of two stops and one order left out."""
    orders = [make.work_order(make.treatment_unit()) for _ in range(2)]
    route = make.route(make.technician(), orders, NEXT, is_in_force=False)
    proposal = route.proposal
    left_out = make.work_order(make.treatment_unit())
    UnplacedOrder.objects.create(
        proposal=proposal, order=left_out, reason="day full", text="Would fit with 12 minutes more."
    )
    proposal.problems = [{"what": "Mill site", "message": "has no position.", "remedy": "Fill it in."}]
    proposal.save()
    return proposal, route, orders, left_out


@pytest.mark.django_db(transaction=True)
def test_asking_for_a_plan_works_it_out_and_shows_every_order_placed_or_explained(planner):
    branch = make.branch()
    make.technician(branch=branch)
    sites = [make.site(branch=branch) for _ in range(3)]
    orders = [make.work_order(make.treatment_unit(site=site)) for site in sites]
    sent = {"first_on": NEXT.isoformat(), "days": "2", "seconds": "1"}
    answer = planner.post(reverse("proposals"), sent)
    assert answer.status_code == 302
    board = planner.get(answer["Location"]).context["board"]
    assert board.row.state == "ready"
    assert board.placed + len(board.unplaced) == len(orders)


def test_a_plan_that_can_t_be_is_refused_beside_its_field(planner):
    sent = {"first_on": (MONDAY - timedelta(days=3)).isoformat(), "days": "40", "seconds": "1"}
    page = planner.post(reverse("proposals"), sent)
    assert page.status_code == 422
    assert set(page.context["form"].errors) == {"first_on", "days"}
    assert not RouteProposal.objects.exists()


def test_the_board_shows_who_goes_where_and_why_not(planner, week):
    proposal, route, orders, left_out = week
    page = planner.get(reverse("proposal", args=[proposal.pk]))
    text = page.content.decode()
    assert route.technician.name in text
    for order in (*orders, left_out):
        assert f"W{order.pk:06d}" in text
    assert "Would fit with 12 minutes more." in text
    assert "Fill it in." in text
    assert page.context["board"].placed == 2


def test_publishing_puts_the_stops_on_the_technician_s_day_and_taking_back_clears_it(planner):
    technician = make.technician()
    site = make.site(branch=technician.branch)
    order = make.work_order(make.treatment_unit(site=site), window_to=NEXT)
    proposal = service.propose(first_on=NEXT, days=1, seconds=1, now=make.NOW, max_iterations=20)
    planner.post(reverse("publish_proposal", args=[proposal.pk]))
    order.refresh_from_db()
    assert order.state == "on_route"
    planner.force_login(technician.person)
    day = planner.get(reverse("day", kwargs={"on": NEXT.isoformat()}))
    assert order.treatment_unit.serial in day.content.decode()
    planner.force_login(make.person("planner"))
    planner.post(reverse("take_back_proposal", args=[proposal.pk]))
    order.refresh_from_db()
    assert order.state == "open"
    planner.force_login(technician.person)
    assert "No stops on this day" in planner.get(day.request["PATH_INFO"]).content.decode()


def test_a_plan_overtaken_by_events_is_not_published_and_says_why(planner, week):
    proposal, route, orders, _ = week
    orders[0].state, orders[0].ended_at, orders[0].withdrawn_because = "withdrawn", make.NOW, "Sold."
    orders[0].save()
    page = planner.post(reverse("publish_proposal", args=[proposal.pk]), follow=True)
    assert "Propose again" in page.content.decode()
    assert not Route.objects.get(pk=route.pk).is_in_force


def test_a_running_plan_shows_its_progress_and_can_be_stopped(planner):
    running = RouteProposal.objects.create(
        first_on=NEXT, last_on=NEXT, made_at=make.NOW, progress=0.4, progress_text="routes of Tuesday"
    )
    page = planner.get(reverse("proposal", args=[running.pk])).content.decode()
    assert "hx-get" in page
    part = planner.get(reverse("proposal_progress", args=[running.pk]))
    assert "routes of Tuesday" in part.content.decode()
    planner.post(reverse("stop_proposal", args=[running.pk]))
    running.refresh_from_db()
    assert running.wants_stop
    running.state = "ready"
    running.save()
    over = planner.get(reverse("proposal_progress", args=[running.pk]))
    assert over["HX-Redirect"] == reverse("proposal", args=[running.pk])


def test_a_route_s_page_lists_stops_in_order_parts_to_load_and_the_way_there(planner, week):
    _, route, orders, _ = week
    kind = make.part_kind(name="Carbon block")
    for order in orders:
        order.needed_parts.create(kind=kind)
    make.van(route.technician, kind, 1)
    page = planner.get(reverse("route", args=[route.pk]))
    text = page.content.decode()
    assert text.index(orders[0].site.name) < text.index(orders[1].site.name)
    (load,) = load_list(page.context["route"])
    assert (load.needed, load.on_van, load.missing) == (2, 1, 1)
    WorkOrder.objects.filter(pk=orders[0].pk).update(state="done", ended_at=make.NOW)
    (load,) = load_list(route_rows(Route.objects.filter(pk=route.pk))[0])
    assert (load.needed, load.missing) == (1, 0)  # what is done needs no part any more
    assert f"geo:{orders[0].site.latitude:.6f},{orders[0].site.longitude:.6f}" in text


def test_geojson_is_longitude_first_and_closes_the_round(planner, week):
    """RFC 7946 section 3.1.1: longitude, then latitude."""
    _, route, orders, _ = week
    found = planner.get(reverse("route_geojson", args=[route.pk])).json()
    points = [one for one in found["features"] if one["geometry"]["type"] == "Point"]
    (line,) = [one for one in found["features"] if one["geometry"]["type"] == "LineString"]
    site = orders[0].site
    assert points[0]["geometry"]["coordinates"] == [site.longitude, site.latitude]
    assert line["geometry"]["coordinates"][0] == line["geometry"]["coordinates"][-1]
    assert len(line["geometry"]["coordinates"]) == 4


def test_the_map_has_north_up_east_right_and_a_true_scale(week):
    _, route, orders, _ = week
    site = orders[0].site
    site.latitude, site.longitude = 41.1, -93.0
    site.save()
    other = orders[1].site
    other.latitude, other.longitude = 41.0, -92.8
    other.save()
    drawing = route_map(route_rows(Route.objects.filter(pk=route.pk)), is_metric=True)
    north, east = drawing.tracks[0].dots
    start = drawing.starts[0]
    assert north.y < start.y
    assert east.x > start.x
    # One degree of latitude is 111.195 km on a sphere of 6 371 km; the bar states its own length.
    km_per_point = 0.1 * 111.195 / (start.y - north.y)
    assert drawing.scale_points * km_per_point == pytest.approx(
        float(drawing.scale_text.split()[0]), rel=0.01
    )


def test_the_board_asks_the_database_the_same_number_of_times_for_few_and_many(
    planner, week, django_assert_max_num_queries
):
    proposal = week[0]
    technician = make.technician()
    orders = [make.work_order(make.treatment_unit()) for _ in range(12)]
    more = make.route(technician, orders, NEXT, is_in_force=False)
    more.proposal.routes.update(proposal=proposal)
    with django_assert_max_num_queries(10):
        planner.get(reverse("proposal", args=[proposal.pk]))
    with django_assert_max_num_queries(14):
        planner.get(reverse("proposals"))


def test_somebody_of_another_branch_finds_no_route(client, week):
    client.force_login(make.person("planner", branch=make.branch()))
    assert client.get(reverse("route", args=[week[1].pk])).status_code == 404
