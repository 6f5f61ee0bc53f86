"""Tiles behind the maps: only where a company set an address, at the places they belong."""

import re
import subprocess
import sys
from itertools import pairwise

import pytest
from django.core.exceptions import ImproperlyConfigured
from django.urls import reverse

from scheduling.pages.maps import WIDTH, TileMap, drawing_of, mercator
from shared.config import env
from tests import factories as make
from tests.factories import NOW
from tests.scheduling.hands import crew, plan

TEMPLATE = "https://tiles.example.com/{z}/{x}/{y}.png"
IOWA = [(41.59, -93.62), (41.66, -91.53), (42.03, -93.62)]


@pytest.mark.parametrize(
    ("place", "zoom", "tile"),
    [
        # The worked example of the wiki page on tile names, Tokyo; and the corners of the square.
        ((35.6590699, 139.7006793), 18, (232798, 103246)),
        ((0.0, 0.0), 1, (1, 1)),
        ((85.0511, -180.0), 5, (0, 0)),
    ],
)
def test_a_place_lies_on_the_tile_that_the_convention_says(place, zoom, tile):
    x, y = mercator(*place)
    assert (int(x * 2**zoom), int(max(0, y) * 2**zoom)) == tile


def test_tiles_cover_the_drawing_without_gaps_and_each_place_lies_on_its_own():
    drawing = TileMap(IOWA, TEMPLATE)
    rows = sorted({tile.y for tile in drawing.tiles})
    columns = sorted({tile.x for tile in drawing.tiles})
    assert columns[0] <= 0
    assert columns[-1] + drawing.side >= WIDTH
    assert rows[0] <= 0
    assert rows[-1] + drawing.side >= drawing.height
    for near, far in [*pairwise(columns), *pairwise(rows)]:
        assert far - near == pytest.approx(drawing.side, abs=0.02)
    for latitude, longitude in IOWA:
        x, y = drawing.at(latitude, longitude)
        assert 0 < x < WIDTH
        assert 0 < y < drawing.height
        under = next(t for t in drawing.tiles if t.x <= x < t.x + t.side and t.y <= y < t.y + t.side)
        zoom, column, row = map(int, re.findall(r"/(\d+)/(\d+)/(\d+)", under.url)[0])
        east, south = mercator(latitude, longitude)
        assert (int(east * 2**zoom), int(south * 2**zoom)) == (column, row)
    assert len(drawing.tiles) <= 40


def test_one_place_alone_and_places_around_the_earth_are_drawn_too():
    assert TileMap([IOWA[0], IOWA[0]], TEMPLATE).zoom == 18
    around = TileMap([(70.0, -179.0), (-60.0, 179.0)], TEMPLATE)
    assert around.tiles
    assert all(re.search(r"/\d+/\d+/\d+\.png$", tile.url) for tile in around.tiles)


def test_the_scale_bar_agrees_with_the_plain_drawing_within_a_hundredth():
    plain, tiled = drawing_of(IOWA, ""), drawing_of(IOWA, TEMPLATE)
    for drawing in (plain, tiled):
        a, b = drawing.at(*IOWA[0]), drawing.at(*IOWA[1])
        metres = drawing.metres_per_point * ((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2) ** 0.5
        # Des Moines to Iowa City along the great circle, by the haversine formula.
        assert metres == pytest.approx(173_900, rel=0.01)
    assert plain.tiles == ()


@pytest.mark.django_db
def test_without_an_address_a_map_asks_nobody_and_with_one_only_its_host(client, settings, time_machine):
    time_machine.move_to(NOW, tick=False)
    branch, _, _ = crew(2, 4)
    row = plan(branch)
    client.force_login(make.person("planner", branch=branch))
    addresses = [reverse("proposal", args=[row.pk]), reverse("route", args=[row.routes.first().pk]),
                 reverse("site_map")]  # fmt: skip
    assert all("<image" not in client.get(one).content.decode() for one in addresses)
    settings.MAP_TILE_URL, settings.MAP_TILE_CREDIT = TEMPLATE, "© somebody"
    for one in addresses:
        text = client.get(one).content.decode()
        assert 'href="https://tiles.example.com/' in text
        assert "© somebody" in text


@pytest.mark.parametrize(
    "address", ["tiles.example.com/{z}/{x}/{y}.png", "https://tiles.example.com/{z}/{x}.png", "https://{s}.t/{z}/{x}/{y}"]
)  # fmt: skip
def test_what_is_no_address_of_tiles_stops_the_start(monkeypatch, address):
    monkeypatch.setenv("TAPWARD_X", address)
    with pytest.raises(ImproperlyConfigured, match="no address of map tiles"):
        env.read_tile_address("TAPWARD_X")


@pytest.mark.parametrize(("address", "said"), [("", False), (TEMPLATE, True)])
def test_the_policy_lets_pictures_in_from_the_tiles_host_only_when_it_is_set(tmp_path, address, said):
    script = (
        "from shared.config import settings as s\n"
        "print(' '.join(s.CONTENT_SECURITY_POLICY['DIRECTIVES']['img-src']))"
    )
    shown = subprocess.run(
        [sys.executable, "-c", script], check=True, capture_output=True, text=True,
        env={"TAPWARD_MAP_TILE_URL": address, "TAPWARD_DATA_DIR": str(tmp_path), "PATH": "/usr/bin:/bin"},
    ).stdout  # fmt: skip
    assert ("https://tiles.example.com" in shown) is said
    assert "*" not in shown
