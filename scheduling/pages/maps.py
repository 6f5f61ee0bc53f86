"""A flat drawing of places, north up: latitude and longitude become points. No tiles, no network.

The same drawing on map tiles, where a company has set an address for them: square Mercator pictures.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

WIDTH: Final = 1000.0
"""Width of the drawing. [drawing points]"""
MARGIN: Final = 40.0
MIN_HEIGHT: Final = 360.0
MAX_HEIGHT: Final = 760.0


@dataclass(frozen=True)
class Tile:
    """One picture behind a drawing, with its corner and side. [drawing points]"""

    url: str
    x: float
    y: float
    side: float


class FlatMap:
    """Turns latitude and longitude into points of the drawing.

    Longitudes shrink by the cosine of the middle latitude, which is true enough over one county or state.
    """

    def __init__(self, places: list[tuple[float, float]]):
        south, north = min(p[0] for p in places), max(p[0] for p in places)
        west, east = min(p[1] for p in places), max(p[1] for p in places)
        self.north, self.west = north, west
        self.shrink = math.cos(math.radians((south + north) / 2))
        wide = max((east - west) * self.shrink, 1e-4)
        high = max(north - south, 1e-4)
        inner = WIDTH - 2 * MARGIN
        self.per_degree = min(inner / wide, (MAX_HEIGHT - 2 * MARGIN) / high)
        self.height = max(MIN_HEIGHT, high * self.per_degree + 2 * MARGIN)
        self.left = MARGIN + (inner - wide * self.per_degree) / 2
        self.top = (self.height - high * self.per_degree) / 2

    tiles: Sequence[Tile] = ()

    @property
    def metres_per_point(self) -> float:
        """Return how much ground a point of the drawing covers. [m]"""
        return 111_195 / self.per_degree

    def at(self, latitude: float, longitude: float) -> tuple[float, float]:
        """Return where a place lies. [drawing points]"""
        x = self.left + (longitude - self.west) * self.shrink * self.per_degree
        y = self.top + (self.north - latitude) * self.per_degree
        return round(x, 1), round(y, 1)

    def place_at(self, x: float, y: float) -> tuple[float, float]:
        """Return the latitude and longitude of a point of the drawing."""
        per = self.per_degree
        return self.north - (y - self.top) / per, self.west + (x - self.left) / (self.shrink * per)

    def scale(self, is_metric: bool) -> tuple[float, str]:
        """Return a scale bar's length and its text: the roundest that takes about a fifth of the width."""
        metres_per_point = self.metres_per_point
        measure, word = (1000.0, "km") if is_metric else (1609.344, "mi")
        wanted = WIDTH / 5 * metres_per_point / measure
        step = 10 ** math.floor(math.log10(wanted))
        length = max(step * n for n in (1, 2, 5) if step * n <= wanted)
        return round(length * measure / metres_per_point, 1), f"{length:g} {word}"


TILE: Final = 256.0
"""Side of a tile at its own size. [pixels]"""
MOST_ZOOM: Final = 18
EQUATOR_M: Final = 40_075_016.686
"""Length of the equator, WGS 84. [m]"""
MOST_LATITUDE: Final = 85.0511
"""Where the square of spherical Mercator ends: atan(sinh(π)). [°]"""


class TileMap(FlatMap):
    """Turns latitude and longitude into points of the drawing, as spherical Mercator (EPSG:3857) has them.

    The zoom is the deepest at which the places fit; tiles are drawn between once and twice their own size.
    """

    def __init__(self, places: list[tuple[float, float]], template: str):
        self.template = template
        xs, ys = zip(*(mercator(*place) for place in places), strict=True)
        wide, high = max(max(xs) - min(xs), 1e-9), max(max(ys) - min(ys), 1e-9)
        inner = WIDTH - 2 * MARGIN
        fits = min(inner / wide, (MAX_HEIGHT - 2 * MARGIN) / high)
        self.zoom = max(0, min(MOST_ZOOM, math.floor(math.log2(fits / TILE))))
        self.side = min(fits / 2**self.zoom, 2 * TILE)
        self.per_world = self.side * 2**self.zoom
        self.height = max(MIN_HEIGHT, high * self.per_world + 2 * MARGIN)
        self.origin_x = (max(xs) + min(xs)) / 2 * self.per_world - WIDTH / 2
        self.origin_y = (max(ys) + min(ys)) / 2 * self.per_world - self.height / 2
        self.tiles = self._cover()
        self.middle_latitude = (min(p[0] for p in places) + max(p[0] for p in places)) / 2

    def at(self, latitude: float, longitude: float) -> tuple[float, float]:
        """Return where a place lies. [drawing points]"""
        x, y = mercator(latitude, longitude)
        return round(x * self.per_world - self.origin_x, 1), round(y * self.per_world - self.origin_y, 1)

    def place_at(self, x: float, y: float) -> tuple[float, float]:
        """Return the latitude and longitude of a point of the drawing."""
        east, south = (x + self.origin_x) / self.per_world, (y + self.origin_y) / self.per_world
        return math.degrees(math.atan(math.sinh(math.pi * (1 - 2 * south)))), 360 * east - 180

    @property
    def metres_per_point(self) -> float:
        """Return how much ground a point of the drawing covers in its middle. [m]"""
        return EQUATOR_M * math.cos(math.radians(self.middle_latitude)) / self.per_world

    def _cover(self) -> list[Tile]:
        """Return the pictures that cover the drawing; columns wrap round the earth, rows end at its edges."""
        count = 2**self.zoom
        columns = range(math.floor(self.origin_x / self.side), math.ceil((self.origin_x + WIDTH) / self.side))
        rows = range(
            max(0, math.floor(self.origin_y / self.side)),
            min(count, math.ceil((self.origin_y + self.height) / self.side)),
        )
        return [
            Tile(
                self._url(column % count, row),
                round(column * self.side - self.origin_x, 2),
                round(row * self.side - self.origin_y, 2),
                round(self.side, 2),
            )
            for row in rows
            for column in columns
        ]

    def _url(self, column: int, row: int) -> str:
        named = {"{z}": self.zoom, "{x}": column, "{y}": row}
        url = self.template
        for name, value in named.items():
            url = url.replace(name, str(value))
        return url


def mercator(latitude: float, longitude: float) -> tuple[float, float]:
    """Return a place on the square of spherical Mercator, 0 to 1 from its north-west corner.

    Source
    ------
    OpenStreetMap wiki, "Slippy map tilenames", and EPSG:3857; value from memory.
    """
    held = max(-MOST_LATITUDE, min(MOST_LATITUDE, latitude))
    phi = math.radians(held)
    return (longitude + 180) / 360, (1 - math.asinh(math.tan(phi)) / math.pi) / 2


def drawing_of(places: list[tuple[float, float]], template: str) -> FlatMap:
    """Return the drawing for these places: on tiles where there is an address for them, else plain."""
    return TileMap(places, template) if template else FlatMap(places)
