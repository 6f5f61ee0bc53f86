"""Distances and driving times between places: whole metres and whole seconds, rounded once, here."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from shared.messages import message

IntMatrix = NDArray[np.int64]

EARTH_RADIUS_M = 6_371_008.8
"""Mean radius R1 of the earth, IUGG (Moritz 2000, Geodetic Reference System 1980)."""

UNREACHABLE_S = 2_000_000
"""Stands for "no road": longer than any shift, small enough that sums of it never overflow."""


class TravelSource(StrEnum):
    """Where the driving times of a plan come from; shown on every plan."""

    ESTIMATED = "estimated"
    ROAD_ENGINE = message("road engine")
    FELL_BACK = message("fell back")


@dataclass(frozen=True)
class Place:
    """A point on the map where work is done or a day starts or ends. Degrees, WGS 84."""

    id: str
    latitude: float | None
    longitude: float | None
    name: str = ""

    def __post_init__(self) -> None:
        if (self.latitude is None) != (self.longitude is None):
            raise ValueError(f"place {self.id}: give both latitude and longitude, or neither")
        if self.latitude is not None and not -90 <= self.latitude <= 90:
            raise ValueError(f"place {self.id}: latitude {self.latitude} is outside -90 to 90")
        if self.longitude is not None and not -180 <= self.longitude <= 180:
            raise ValueError(f"place {self.id}: longitude {self.longitude} is outside -180 to 180")

    @property
    def has_position(self) -> bool:
        """Say whether latitude and longitude are known."""
        return self.latitude is not None and self.longitude is not None


@dataclass(frozen=True)
class TravelSettings:
    """
    How a straight line becomes a drive.

    Circuity falls from ``circuity_far + circuity_near_extra`` at the doorstep to ``circuity_far`` far away:
    Newell (1980) and O'Sullivan (1996) give 1.2 to 1.23 for urban networks, a study of 300 European cities
    1.343 on radial trips (doi 10.1177/23998083231168870), and short trips are more circuitous (Giacomin and
    Levinson 2015).
    Speed is read from ``speed_knots`` (road km, km/h), straight between the knots: *common practice*, to be
    fitted to the firm's own finished visits.
    """

    circuity_far: float = 1.25
    circuity_near_extra: float = 0.20
    circuity_fade_km: float = 5.0
    speed_knots: tuple[tuple[float, float], ...] = ((0, 25), (3, 30), (10, 45), (25, 60), (60, 75))
    per_leg_s: int = 90
    duration_factor: float = 1.0
    """What finished drives say the estimate is to be multiplied with; see ``duration_factor.py``."""

    def __post_init__(self) -> None:
        kilometres = [knot[0] for knot in self.speed_knots]
        if not kilometres or sorted(set(kilometres)) != kilometres:
            raise ValueError("speed knots must rise in kilometres")
        if min(speed for _, speed in self.speed_knots) <= 0:
            raise ValueError("speeds must be above 0 km/h")
        if self.circuity_far < 1 or self.circuity_near_extra < 0 or self.circuity_fade_km <= 0:
            raise ValueError("a road is never shorter than the straight line: circuity must be at least 1")
        if not self.duration_factor > 0:
            raise ValueError("the duration factor must be above 0")
        if self.per_leg_s < 0:
            raise ValueError("seconds per leg must not be negative")


@dataclass(frozen=True)
class Correction:
    """A driving time a person has set by hand for one pair of places, both ways: a ferry, a closed bridge."""

    place_a: str
    place_b: str
    drive_s: int
    distance_m: int | None = None

    def __post_init__(self) -> None:
        if not 0 <= self.drive_s <= UNREACHABLE_S:
            raise ValueError(f"correction {self.place_a} - {self.place_b}: {self.drive_s} s is out of range")


@dataclass(frozen=True)
class TravelTable:
    """
    Driving times and distances between places, and where they come from.

    Parameters
    ----------
    place_ids : order of rows and columns.
    drive_s, distance_m : n x n whole numbers, rows are origins. [s], [m]
    source : shown on every plan.
    note : why it fell back, or which places were snapped far to the road.
    """

    place_ids: tuple[str, ...]
    drive_s: IntMatrix
    distance_m: IntMatrix
    source: TravelSource = TravelSource.ESTIMATED
    note: str = ""
    row_of: Mapping[str, int] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        size = len(self.place_ids)
        for name, matrix in (("drive_s", self.drive_s), ("distance_m", self.distance_m)):
            if matrix.shape != (size, size):
                raise ValueError(f"{name} has shape {matrix.shape}, {size} places need {(size, size)}")
            if size and (int(matrix.min()) < 0 or int(np.abs(np.diagonal(matrix)).max()) != 0):
                raise ValueError(f"{name} must not be negative, and 0 from a place to itself")
        rows = {place_id: row for row, place_id in enumerate(self.place_ids)}
        if len(rows) != size:
            raise ValueError("a place appears twice in the travel table")
        object.__setattr__(self, "row_of", rows)

    def seconds(self, origin: str, destination: str) -> int:
        """Return the drive between two places. [s]"""
        return int(self.drive_s[self.row_of[origin], self.row_of[destination]])

    def metres(self, origin: str, destination: str) -> int:
        """Return the road between two places. [m]"""
        return int(self.distance_m[self.row_of[origin], self.row_of[destination]])


def great_circle_m(latitudes: Sequence[float], longitudes: Sequence[float]) -> NDArray[np.float64]:
    """
    Return the n x n great-circle distances between points, by the haversine formula. [m]

    Parameters
    ----------
    latitudes, longitudes : n values each, WGS 84. [°]

    Source
    ------
    Sinnott, "Virtues of the haversine", Sky and Telescope 68 (1984) 159.
    """
    lat = np.radians(np.asarray(latitudes, dtype=np.float64))
    lon = np.radians(np.asarray(longitudes, dtype=np.float64))
    half_lat = np.sin((lat[:, None] - lat[None, :]) / 2) ** 2
    half_lon = np.sin((lon[:, None] - lon[None, :]) / 2) ** 2
    haversine = half_lat + np.cos(lat)[:, None] * np.cos(lat)[None, :] * half_lon
    metres: NDArray[np.float64] = 2 * EARTH_RADIUS_M * np.arcsin(np.sqrt(np.clip(haversine, 0, 1)))
    return metres


def road_estimate(
    straight_m: NDArray[np.float64], settings: TravelSettings = TravelSettings()
) -> tuple[IntMatrix, IntMatrix]:
    """Return (driving seconds, road metres) for straight-line metres of any shape; 0 stays 0."""
    straight_km = straight_m / 1000
    circuity = settings.circuity_far + settings.circuity_near_extra * np.exp(
        -straight_km / settings.circuity_fade_km
    )
    road_km = straight_km * circuity
    knots_km, knots_km_h = zip(*settings.speed_knots, strict=True)
    speed_km_h = np.interp(road_km, knots_km, knots_km_h)
    seconds = road_km / speed_km_h * 3600 + np.where(straight_m > 0, settings.per_leg_s, 0)
    seconds = seconds * settings.duration_factor
    return np.rint(seconds).astype(np.int64), np.rint(road_km * 1000).astype(np.int64)


def estimate_travel(
    places: Iterable[Place],
    *,
    settings: TravelSettings | None = None,
    corrections: Iterable[Correction] = (),
) -> TravelTable:
    """
    Return the travel table without any map: great circle x circuity, speed by length of the leg.

    Places without a position are left out; the planner refuses their orders with a remedy.
    The table is symmetric. It can't know rivers, coasts or one-way streets: the mark "estimated" says so.
    """
    known = list({place.id: place for place in places if place.has_position}.values())
    latitudes = [place.latitude for place in known if place.latitude is not None]
    longitudes = [place.longitude for place in known if place.longitude is not None]
    drive_s, distance_m = road_estimate(great_circle_m(latitudes, longitudes), settings or TravelSettings())
    table = TravelTable(tuple(place.id for place in known), drive_s, distance_m)
    return corrected(table, corrections)


def corrected(table: TravelTable, corrections: Iterable[Correction]) -> TravelTable:
    """Return the table with hand-set values in both directions; pairs of unknown places are ignored."""
    drive_s, distance_m = table.drive_s.copy(), table.distance_m.copy()
    for correction in corrections:
        row_a, row_b = table.row_of.get(correction.place_a), table.row_of.get(correction.place_b)
        if row_a is None or row_b is None or row_a == row_b:
            continue
        drive_s[row_a, row_b] = drive_s[row_b, row_a] = correction.drive_s
        if correction.distance_m is not None:
            distance_m[row_a, row_b] = distance_m[row_b, row_a] = correction.distance_m
    return TravelTable(table.place_ids, drive_s, distance_m, table.source, table.note)
