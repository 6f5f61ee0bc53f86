"""A flat drawing of places, north up: latitude and longitude become points. No tiles, no network."""

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

    def scale(self, is_metric: bool) -> tuple[float, str]:
        """Return a scale bar's length and its text: the roundest that takes about a fifth of the width."""
        metres_per_point = self.metres_per_point
        measure, word = (1000.0, "km") if is_metric else (1609.344, "mi")
        wanted = WIDTH / 5 * metres_per_point / measure
        step = 10 ** math.floor(math.log10(wanted))
        length = max(step * n for n in (1, 2, 5) if step * n <= wanted)
        return round(length * measure / metres_per_point, 1), f"{length:g} {word}"
