"""The road engine's adapter against a real HTTP server on this machine; never an outside address."""

import json
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlsplit

import numpy as np
import pytest

from scheduling.planning.road_engine import RoadEngine, road_travel
from scheduling.planning.travel import UNREACHABLE_S, Correction, Place, TravelSource, estimate_travel

PLACES = [Place(f"p{number}", 50 + number / 100, 8 + (number * 7 % 11) / 100) for number in range(23)]


def engine_seconds(origin, destination):
    """What the pretend engine drives: not symmetric, so that swapped rows and columns show."""
    return round(
        abs(origin[1] - destination[1]) * 1e5 + abs(origin[0] - destination[0]) * 7e4 + origin[1] % 1 * 50
    )


class PretendEngine(BaseHTTPRequestHandler):
    """Answers like the OSRM table service; limits and faults are set on the server."""

    def do_GET(self):
        server, parts = self.server, urlsplit(self.path)
        query = {name: values[0] for name, values in parse_qs(parts.query).items()}
        points = [tuple(map(float, one.split(","))) for one in parts.path.rsplit("/", 1)[1].split(";")]
        server.asked.append(len(points))
        if server.fault and len(server.asked) >= server.fault_from:
            return self.reply(*server.fault)
        if len(points) > server.limit:
            return self.reply(400, {"code": "TooBig", "message": "Too many table coordinates"})
        origins = [points[int(one)] for one in query["sources"].split(";")]
        targets = [points[int(one)] for one in query["destinations"].split(";")]
        grid = [[engine_seconds(one, two) for two in targets] for one in origins]
        for row, origin in enumerate(origins):
            for column, target in enumerate(targets):
                if (origin, target) in server.no_road or target in server.island or origin in server.island:
                    grid[row][column] = None
        said = {
            "code": "Ok",
            "durations": grid,
            "distances": [[None if one is None else one * 10 for one in row] for row in grid],
            "sources": [{"distance": 900 if one in server.off_road else 3} for one in origins],
        }
        return self.reply(200, said)

    def reply(self, status, said):
        body = said if isinstance(said, bytes) else json.dumps(said).encode()
        self.send_response(status)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *args):
        pass


@pytest.fixture
def server():
    with ThreadingHTTPServer(("127.0.0.1", 0), PretendEngine) as http:
        http.asked, http.limit, http.fault, http.fault_from = [], 100, None, 1
        http.no_road, http.island, http.off_road = set(), set(), set()
        thread = threading.Thread(target=http.serve_forever, daemon=True)
        thread.start()
        yield http
        http.shutdown()
        thread.join()


def address(server, **rest):
    return RoadEngine(f"http://127.0.0.1:{server.server_address[1]}", **rest)


def lon_lat(place):
    return place.longitude, place.latitude


def expected():
    size = len(PLACES)
    table = np.zeros((size, size), np.int64)
    for row, one in enumerate(PLACES):
        for column, two in enumerate(PLACES):
            if row != column:
                table[row, column] = engine_seconds(lon_lat(one), lon_lat(two))
    return table


@pytest.mark.parametrize("block", [50, 5, 1])
def test_blocks_of_any_size_give_the_same_table(server, block):
    table = road_travel(PLACES, address(server, block=block))
    assert (table.drive_s == expected()).all()
    assert (table.distance_m == expected() * 10).all()
    assert table.source == TravelSource.ROAD_ENGINE
    assert table.note == ""
    assert max(server.asked) <= 2 * block


def test_a_smaller_limit_than_expected_halves_the_blocks(server):
    server.limit = 9
    table = road_travel(PLACES, address(server, block=50))
    assert (table.drive_s == expected()).all()
    assert table.source == TravelSource.ROAD_ENGINE


@pytest.mark.parametrize(
    "fault",
    [
        (500, b"boom"),
        (400, {"code": "NoTable"}),
        (200, b"<html>not json</html>"),
        (200, {"code": "Ok", "durations": [[1]], "distances": [[1]]}),
        (400, {"code": "TooBig"}),
    ],
)
def test_any_failure_even_at_the_last_block_falls_back_whole_and_says_so(server, fault):
    server.fault, server.fault_from = fault, 20
    table = road_travel(PLACES, address(server, block=5))
    assert table.source == TravelSource.FELL_BACK
    assert table.note.startswith("The road engine failed")
    assert (table.drive_s == estimate_travel(PLACES).drive_s).all()


def test_a_dead_engine_falls_back(server):
    gone = address(server)
    server.shutdown()
    server.server_close()
    assert road_travel(PLACES, gone).source == TravelSource.FELL_BACK


def test_a_pair_without_road_is_unreachable_and_the_rest_stands(server):
    server.no_road = {(lon_lat(PLACES[2]), lon_lat(PLACES[4]))}
    table = road_travel(PLACES, address(server))
    assert table.seconds("p2", "p4") == UNREACHABLE_S
    assert table.seconds("p4", "p2") < UNREACHABLE_S
    assert table.note == ""


def test_places_off_the_road_network_are_named(server):
    server.island, server.off_road = {lon_lat(PLACES[7])}, {lon_lat(PLACES[3])}
    table = road_travel(PLACES, address(server))
    assert "No road reaches p7." in table.note
    assert "500 m from a road: p3." in table.note


def test_corrections_lie_over_the_engine(server):
    table = road_travel(PLACES, address(server), corrections=[Correction("p0", "p1", 4321)])
    assert table.seconds("p0", "p1") == table.seconds("p1", "p0") == 4321


class Shelf:
    """A cache in memory, as a database table would be."""

    def __init__(self):
        self.kept = {}

    def fetch(self, engine, keys):
        return {key: self.kept[engine, key] for key in keys if (engine, key) in self.kept}

    def store(self, engine, legs):
        self.kept.update({(engine, key): leg for key, leg in legs.items()})


def test_what_was_asked_once_is_not_asked_again(server):
    shelf = Shelf()
    first = road_travel(PLACES, address(server, block=5), cache=shelf)
    asked = len(server.asked)
    again = road_travel(PLACES, address(server, block=5), cache=shelf)
    assert len(server.asked) == asked
    assert (again.drive_s == first.drive_s).all()
    road_travel(PLACES, address(server, block=5, map_version="next month"), cache=shelf)
    assert len(server.asked) == 2 * asked


def test_only_web_addresses_are_taken():
    with pytest.raises(ValueError, match="http"):
        RoadEngine("file:///etc/passwd")
