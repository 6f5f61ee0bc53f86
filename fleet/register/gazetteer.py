"""Towns and postal codes without asking anybody: where an address roughly is, and what lies near a place."""

import math
import re
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

from django.conf import settings

from fleet.register.gazetteer_build import folded

EARTH_KM: Final = 6371.009
"""Mean radius (IUGG)."""
KM_PER_DEGREE: Final = math.pi * EARTH_KM / 180
POSTAL_ACCURACY_M: Final = 5_000.0
"""Common practice: a code of the United States covers some 90 km² at the median."""
PEOPLE_PER_KM2: Final = 1_000.0
"""Common practice: how densely a town is lived in; its radius follows from its people."""
TOWN: Final = "name, country, state, latitude, longitude, people"
LEAST_TOWN_M: Final = 2_000.0
MOST_TOWN_M: Final = 25_000.0
POSTAL_CODE: Final = re.compile(r"(?<=[\s,])(?=[\w -]*\d)(?:\d{4,6}(?:-\d{3,4})?|\w{2,4}[ -]?\w{3})\b")
"""What may be one; never at the very beginning, where the house has its number."""


@dataclass(frozen=True)
class Spot:
    """A town or a postal code. ``accuracy_m``: radius within which nearly all of it lies."""

    name: str
    country: str
    state: str
    latitude: float
    longitude: float
    accuracy_m: float
    is_postal_code: bool = False

    @property
    def accuracy_km(self) -> float:
        """The radius in km."""
        return self.accuracy_m / 1000


def spot_of(address: str, area: str = "", near: tuple[float, float] | None = None) -> Spot | None:
    """Return where an address roughly is: by its postal code, else by its town.

    Of several towns of a name the one of the address's state counts, then the nearest to ``near``, then the
    largest. None: no part of it is known here.
    """
    parts = _parts(address)
    for code in reversed(codes_in(address)):
        if found := _postal(code):
            return found
    states = {word for part in parts[1:] for word in part.upper().split() if len(word) == 2}
    for part in [*reversed(parts), area]:
        bare = folded(re.sub(r"\b\d[\w-]*\b", " ", part))
        words = [word for word in bare.split() if word not in states]
        for name in dict.fromkeys((bare, " ".join(words))):
            if name and (towns := _towns(name)):
                return min(towns, key=lambda town: (town.state not in states, *_far(town, near)))
    return None


def codes_in(address: str) -> list[str]:
    """Return what looks like postal codes, of whatever country."""
    found = POSTAL_CODE.findall(", ".join(_parts(address)))
    return [code for code in found if any(sign.isdigit() for sign in code)]


def _parts(address: str) -> list[str]:
    return [part for part in re.split(r"[,;\n]", address) if part.strip()]


def distance_km(a: tuple[float, float], b: tuple[float, float]) -> float:
    """Return the way along the great circle (haversine)."""
    (south, west), (north, east) = ((math.radians(one[0]), math.radians(one[1])) for one in (a, b))
    half = math.sin((north - south) / 2) ** 2
    half += math.cos(south) * math.cos(north) * math.sin((east - west) / 2) ** 2
    return 2 * EARTH_KM * math.asin(min(1.0, math.sqrt(half)))


def nearest(latitude: float, longitude: float, within_km: float = 100.0) -> Spot | None:
    """Return the nearest town within so many km; None in the sea or the wilds."""
    high = within_km / KM_PER_DEGREE
    rows = _read(
        f"SELECT {TOWN} FROM town WHERE latitude BETWEEN ? AND ?",
        (latitude - high, latitude + high),
    )
    wide = high / max(0.01, math.cos(math.radians(min(89.0, abs(latitude) + high))))
    near = [row for row in rows if abs((row[4] - longitude + 180) % 360 - 180) <= wide]
    if not near:
        return None
    row = min(near, key=lambda one: distance_km((latitude, longitude), (one[3], one[4])))
    is_near = distance_km((latitude, longitude), (row[3], row[4])) <= within_km
    return _town(row) if is_near else None


def towns_between(south: float, north: float, west: float, east: float, most: int = 12) -> list[Spot]:
    """Return the largest towns of a corner of the earth."""
    rows = _read(
        f"SELECT {TOWN} FROM town WHERE latitude BETWEEN ? AND ? AND longitude BETWEEN ? AND ? "
        "ORDER BY people DESC LIMIT ?",
        (south, north, west, east, most),
    )
    return [_town(row) for row in rows]


def _postal(code: str) -> Spot | None:
    bare = code.upper().replace(" ", "")
    short = bare.split("-")[0]
    for row in _read(
        "SELECT code, name, state, latitude, longitude FROM postal WHERE code IN (?, ?, ?)",
        (bare, short, bare[:3] if settings.COUNTRY == "CA" else bare),
    ):
        if row[3] is not None:
            accuracy = POSTAL_ACCURACY_M
            return Spot(row[0], settings.COUNTRY, row[2], row[3], row[4], accuracy, is_postal_code=True)
        if towns := _towns(folded(row[1].split(",")[-1])) or _towns(folded(row[1])):
            return max(towns, key=lambda town: town.accuracy_m)
    return None


def _towns(name: str) -> list[Spot]:
    return [
        _town(row)
        for row in _read(
            f"SELECT {TOWN} FROM town WHERE country = ? AND folded = ?",
            (settings.COUNTRY, name),
        )
    ]


def _town(row: tuple) -> Spot:
    radius = 1000 * math.sqrt((row[5] or 0) / PEOPLE_PER_KM2 / math.pi)
    return Spot(*row[:5], min(MOST_TOWN_M, max(LEAST_TOWN_M, radius)))


def _far(town: Spot, near: tuple[float, float] | None) -> tuple[float, float]:
    return (distance_km((town.latitude, town.longitude), near) if near else 0.0, -town.accuracy_m)


def _read(statement: str, values: tuple) -> Iterator[tuple]:
    with closing(sqlite3.connect(f"file:{_file()}?mode=ro", uri=True)) as file:
        return iter(file.execute(statement, values).fetchall())


@cache
def _file() -> Path:
    """Return the file, made in a process of its own where it is missing: reading it all takes memory."""
    path = Path(settings.DATA_DIR) / f"gazetteer-1-{settings.COUNTRY}.sqlite3"
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        subprocess.run(
            [sys.executable, "-m", "fleet.register.gazetteer_build", str(path), settings.COUNTRY],
            check=True, cwd=settings.BASE_DIR,
        )  # fmt: skip
    return path
