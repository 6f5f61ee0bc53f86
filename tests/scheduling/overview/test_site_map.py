"""The map of sites: who needs somebody, drawn without tiles, and the same as rows and files."""

import csv
import io
import json
import math
from datetime import timedelta

import pytest
from django.urls import reverse

from scheduling.models import WorkOrder
from scheduling.overview.site_map import CELL, site_map, site_rows
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def planner(client, time_machine):
    """A planner who is logged in at the tests' standing moment."""
    time_machine.move_to(make.NOW, tick=False)
    client.force_login(make.person("planner"))
    return client


def place(latitude: float, longitude: float, *, days: int | None = None, **given):
    where = make.site(latitude=latitude, longitude=longitude, **given)
    order = make.work_order(make.treatment_unit(site=where))
    if days is None:
        order.delete()
    else:
        window = {"window_from": make.TODAY - timedelta(30), "window_to": make.TODAY + timedelta(days)}
        WorkOrder.objects.filter(pk=order.pk).update(**window)
    return where


def test_sites_come_by_urgency_and_say_why():
    well = place(41.0, -91.0)
    soon = place(41.1, -91.1, days=5)
    now = place(41.2, -91.2, days=-2)
    rows = site_rows(today=make.TODAY, branch_id=None)
    assert [row.code for row in rows] == [now.code, soon.code, well.code]
    assert [row.why for row in rows] == ["1 order late", "1 due within a week", "nothing within a week"]


def test_sites_too_near_to_tell_apart_share_a_mark_and_part_when_looked_at_nearer():
    here = [place(41.0, -91.0), place(41.001, -91.001)]
    place(42.0, -90.0)
    page = site_map(today=make.TODAY, branch_id=None, is_metric=False)
    assert sorted(len(mark.sites) for mark in page.marks) == [1, 2]
    both = next(mark for mark in page.marks if len(mark.sites) == 2)
    assert {row.code for row in both.sites} == {site.code for site in here}
    assert "north=41.0" in both.box
    for mark in page.marks:
        assert 0 <= mark.x <= page.width
        assert 0 <= mark.y <= page.height
    first, second = page.marks
    assert math.hypot(first.x - second.x, first.y - second.y) >= CELL


def test_looking_nearer_shows_the_corner_alone(planner):
    near, far = place(41.0, -91.0), place(42.0, -90.0)
    box = {"south": "40.9", "north": "41.1", "west": "-91.1", "east": "-90.9"}
    page = planner.get(reverse("site_map"), box).content.decode()
    assert near.name in page
    assert far.name not in page


def test_nonsense_in_the_address_counts_as_not_asked(planner):
    site = place(41.0, -91.0)
    asked = {"state": "blue", "south": "nan", "north": "1e999", "west": "x", "east": ""}
    assert site.name in planner.get(reverse("site_map"), asked).content.decode()


def test_a_site_without_a_position_is_counted_not_drawn(planner):
    place(41.0, -91.0)
    lost = place(None, None, days=-2)
    page = planner.get(reverse("site_map"))
    assert page.context["page"].unplaced == 1
    assert lost.name not in page.content.decode()


def test_the_files_hold_what_the_page_draws(planner):
    late, _ = place(41.0, -91.0, days=-1), place(42.0, -90.0)
    body = planner.get(reverse("site_map_file", args=["csv"]), {"state": "now"})
    text = b"".join(body.streaming_content) if body.streaming else body.content
    rows = list(csv.DictReader(io.StringIO(text.decode("utf-8-sig"))))
    assert [row["Site code"] for row in rows] == [late.code]
    found = json.loads(planner.get(reverse("site_map_file", args=["geojson"]), {"state": "now"}).content)
    assert found["features"][0]["geometry"]["coordinates"] == [-91.0, 41.0]


def test_another_branch_is_not_on_the_map(client):
    mine = make.branch()
    place(41.0, -91.0)
    own = place(41.5, -91.5, branch=mine)
    assert [row.code for row in site_rows(today=make.TODAY, branch_id=mine.pk)] == [own.code]


@pytest.mark.parametrize("count", [2, 9])
def test_the_page_asks_the_same_number_of_questions_however_many_sites(
    planner, count, django_assert_max_num_queries
):
    for number in range(count):
        place(41 + number / 10, -91.0, days=-1)
    with django_assert_max_num_queries(8):
        planner.get(reverse("site_map"))


def test_a_fleet_without_positions_says_what_to_do(planner):
    assert "template workbook" in planner.get(reverse("site_map")).content.decode()
