"""Driving times by road engine, hand and estimate, and the planner's prices, as plans use them."""

import json
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest
from django.urls import reverse

from scheduling.models import TravelLeg
from scheduling.planning.travel import TravelSource
from scheduling.routes import problem
from scheduling.routes import travel as routes_travel
from shared.errors import DomainError
from tests import factories as make
from tests.factories import NOW, TODAY
from tests.scheduling.hands import TUESDAY, crew, plan

pytestmark = pytest.mark.django_db
SECONDS = 777


class Engine(BaseHTTPRequestHandler):
    """Answers every table question with the same drive, or not at all."""

    def do_GET(self):
        self.server.asked.append(self.path)
        rows = len(self.path.split("sources=")[1].split("&")[0].split(";"))
        columns = len(self.path.split("destinations=")[1].split("&")[0].split(";"))
        said = {
            "code": "Ok",
            "durations": [[SECONDS] * columns] * rows,
            "distances": [[9000] * columns] * rows,
            "sources": [{"distance": 1}] * rows,
        }
        status = 500 if self.server.is_broken else 200
        body = b"out of order" if self.server.is_broken else json.dumps(said).encode()
        self.send_response(status)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *args):
        pass


@pytest.fixture
def engine(settings):
    with ThreadingHTTPServer(("127.0.0.1", 0), Engine) as http:
        http.asked, http.is_broken = [], False
        settings.ROAD_ENGINE_URL = f"http://127.0.0.1:{http.server_address[1]}"
        thread = threading.Thread(target=http.serve_forever, daemon=True)
        thread.start()
        yield http
        http.shutdown()
        thread.join()


@pytest.fixture
def planner(client, time_machine):
    time_machine.move_to(NOW, tick=False)
    client.force_login(make.person("planner"))
    return client


def test_a_plan_uses_the_road_engine_says_so_and_asks_it_only_once(engine, planner):
    branch, _, _ = crew(orders=3)
    row = plan(branch)
    assert row.travel_source == TravelSource.ROAD_ENGINE
    drives = set(row.routes.values_list("stops__drive_minutes", flat=True))
    assert drives == {round(SECONDS / 60)}
    assert TravelLeg.objects.exists()
    asked = len(engine.asked)
    plan(branch)
    assert len(engine.asked) == asked
    assert "Driving times: road engine" in planner.get(reverse("proposal", args=[row.pk])).content.decode()


def test_when_the_engine_fails_the_plan_is_made_all_the_same_and_carries_the_mark(engine, planner):
    engine.is_broken = True
    branch, _, _ = crew(orders=3)
    row = plan(branch)
    assert row.travel_source == TravelSource.FELL_BACK
    page = planner.get(reverse("proposal", args=[row.pk])).content.decode()
    assert "the road engine failed" in page
    assert "Check the road engine." in page
    assert row.routes.exists()


def test_without_an_engine_the_plan_says_estimated(planner):
    branch, _, _ = crew(orders=2)
    row = plan(branch)
    assert row.travel_source == TravelSource.ESTIMATED
    assert "Driving times estimated" in planner.get(reverse("proposal", args=[row.pk])).content.decode()


@pytest.mark.parametrize("with_engine", [False, True])
def test_a_drive_set_by_hand_wins_in_both_directions(request, with_engine):
    if with_engine:
        request.getfixturevalue("engine")
    branch, _, orders = crew(orders=3)
    one, two = orders[0].site, orders[1].site
    routes_travel.set_correction(two, one, minutes=95, because="ferry", by=None, now=NOW)
    travel = problem.build(branch, TUESDAY, 2, NOW).problem.travel
    assert travel.seconds(one.code, two.code) == travel.seconds(two.code, one.code) == 95 * 60
    assert travel.seconds(one.code, orders[2].site.code) != 95 * 60


def test_prices_count_from_their_day_on():
    branch, _, _ = crew(orders=1)
    before = problem.build(branch, TUESDAY, 1, NOW).problem.settings
    values = {"late_day_minutes": 555, "overtime_allowed_minutes": 30}
    routes_travel.change_prices(**values, from_on=TUESDAY, by=None, now=NOW, today=TODAY)
    after = problem.build(branch, TUESDAY, 1, NOW).problem.settings
    assert (before.late_day, after.late_day) == (240, 555)
    assert after.overtime_allowed_s == 1800
    assert problem.build(branch, TODAY, 1, NOW).problem.settings == before


def test_what_an_owner_pays_for_changes_the_plan():
    # One order is farther than its lateness is worth only when being left out is nearly free.
    branch, _people, orders = crew(people=1, orders=1, due_in_days=30)
    site = orders[0].site
    site.latitude, site.longitude = 41.9, -93.0
    site.save()
    left_out = plan(branch)
    assert left_out.unplaced.filter(order=orders[0]).exists()
    values = {"carry_over_least_minutes": 900, "carry_over_most_minutes": 900}
    routes_travel.change_prices(**values, from_on=TODAY, by=None, now=NOW, today=TODAY)
    assert not plan(branch).unplaced.exists()


def test_a_second_change_for_the_same_day_replaces_the_first_and_the_past_stays():
    for minutes in (300, 310):
        routes_travel.change_prices(late_day_minutes=minutes, from_on=TUESDAY, by=None, now=NOW, today=TODAY)
    assert routes_travel.prices_on(TUESDAY).late_day == 310
    with pytest.raises(DomainError, match="has passed"):
        routes_travel.change_prices(from_on=TODAY, by=None, now=NOW, today=TUESDAY)
