"""The geocoder against a real HTTP server on this machine, which answers as Nominatim's search (jsonv2)."""

import json
import threading
from datetime import timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlsplit

import pytest
from django.urls import reverse

from fleet.models import AuditEntry, GeocodedAddress, Site, SitePlace
from fleet.register import places
from fleet.register.geocoder import place_by_geocoder
from tests import factories as make
from tests.factories import NOW

pytestmark = pytest.mark.django_db
AT = {"12 QUARRY LANE": (42.0312, -93.6120), "9 FAR LANE": (33.0, -96.0)}


class Search(BaseHTTPRequestHandler):
    """Knows a few addresses; a status set on the server is its answer to everything."""

    def do_GET(self):
        parts = urlsplit(self.path)
        query = {name: values[0] for name, values in parse_qs(parts.query).items()}
        self.server.asked.append((parts.path, query, self.headers["User-Agent"]))
        found = [
            {
                "lat": str(north), "lon": str(east), "display_name": street,
                "boundingbox": [str(north - 0.001), str(north + 0.001), str(east), str(east)],
            }
            for street, (north, east) in AT.items()
            if query["q"].upper().startswith(street)
        ]  # fmt: skip
        self.send_response(self.server.status)
        self.end_headers()
        self.wfile.write(json.dumps(found).encode())

    def log_message(self, *_):
        pass


@pytest.fixture
def search(settings):
    server = ThreadingHTTPServer(("127.0.0.1", 0), Search)
    server.asked, server.status = [], 200
    threading.Thread(target=server.serve_forever, daemon=True).start()
    settings.GEOCODER_URL = f"http://127.0.0.1:{server.server_port}/"
    settings.DEFAULT_FROM_EMAIL = "office@example.invalid"
    yield server
    server.shutdown()
    server.server_close()


class Clock:
    """Time that passes only where somebody waits. Tells when each request was allowed."""

    def __init__(self):
        self.now, self.waited = NOW, []

    def __call__(self):
        return self.now

    def pause(self, seconds):
        self.waited.append(seconds)
        self.now += timedelta(seconds=seconds)


def turn(clock=None, **given):
    clock = clock or Clock()
    return place_by_geocoder(clock=clock, pause=clock.pause, **given)


def unplaced(address="12 Quarry Lane, Ames, IA", **given):
    return make.site(**{"latitude": None, "longitude": None, "address": address, "area": ""} | given)


def test_addresses_are_asked_once_each_a_second_apart_and_to_be_confirmed(search):
    branch = make.branch(latitude=42.0, longitude=-93.6)
    site, twin = unplaced(branch=branch), unplaced(branch=branch)
    lost = unplaced("1 Nowhere Lane", branch=branch)
    make.site(branch=branch)
    clock = Clock()
    assert turn(clock) == 2
    assert clock.waited == [1.0, 1.0]
    seconds = list(GeocodedAddress.objects.values_list("asked_in_second", flat=True))
    assert len(set(seconds)) == 2
    path, query, agent = search.asked[0]
    assert (path, query["format"], query["limit"], query["countrycodes"]) == ("/search", "jsonv2", "1", "us")
    assert query["q"] == "12 Quarry Lane, Ames, IA"
    assert agent.startswith("Tapward/")
    assert "office@example.invalid" in agent
    for one in (site, twin):
        place = SitePlace.objects.get(site=one)
        assert (place.latitude, place.longitude, place.source) == (42.0312, -93.6120, "geocoder")
        assert 100 < place.accuracy_m < 120, "half of 0.002 degrees of latitude, 111 km each"
        assert Site.objects.get(pk=one.pk).is_place_to_confirm
    assert AuditEntry.objects.filter(what="site placed", by=None).count() == 2
    assert turn() == 0
    assert len(search.asked) == 2, "what was found, or not, is not asked again"
    Site.objects.filter(pk=lost.pk).update(address="12 Quarry Lane, Ames, IA")
    assert turn() == 1
    assert len(search.asked) == 2


def test_a_town_is_bettered_and_what_people_said_or_another_country_never(search):
    branch = make.branch(latitude=42.0, longitude=-93.6)
    rough, far = unplaced(branch=branch), unplaced("9 Far Lane", branch=branch)
    places.place_by_town(sites=Site.objects.filter(pk=rough.pk), by=None, now=NOW)
    typed = unplaced(branch=branch)
    places.place_site(typed, latitude=42.03, longitude=-93.61, source="map", by=None, now=NOW)
    assert turn() == 1
    assert SitePlace.objects.get(site=rough).source == "geocoder"
    assert SitePlace.objects.get(site=typed).source == "map"
    assert Site.objects.get(pk=far.pk).latitude is None


def test_a_geocoder_that_fails_is_left_alone_until_the_next_turn_and_nothing_is_lost(search):
    branch = make.branch(latitude=42.0, longitude=-93.6)
    sites = [unplaced(f"12 Quarry Lane {n}, Ames, IA", branch=branch) for n in range(3)]
    search.status = 503
    assert turn() == 0
    assert len(search.asked) == 1
    search.status = 200
    assert turn(most=2) == 2
    assert turn() == 1
    assert Site.objects.filter(pk__in=[one.pk for one in sites], latitude=None).count() == 0


def test_a_second_in_which_somebody_else_asks_is_waited_for(search):
    unplaced(branch=make.branch(latitude=42.0, longitude=-93.6))
    GeocodedAddress.objects.create(digest="of another worker", asked_in_second=int(NOW.timestamp()))
    clock = Clock()
    assert turn(clock) == 1
    assert clock.waited == [1.0, 1.0], "once before, for the other's second, and once after"


def test_without_a_geocoder_nothing_is_asked_and_with_one_it_is_credited(client, search, settings):
    site = unplaced(branch=make.branch(latitude=42.0, longitude=-93.6))
    turn()
    client.force_login(make.person("planner"))
    assert "OpenStreetMap" in client.get(reverse("place_of_site", args=[site.code])).content.decode()
    assert "OpenStreetMap" in client.get(reverse("places")).content.decode()
    settings.GEOCODER_URL = ""
    unplaced("12 Quarry Lane 5")
    assert turn() == 0
    assert len(search.asked) == 1
    assert "OpenStreetMap" not in client.get(reverse("places")).content.decode()
