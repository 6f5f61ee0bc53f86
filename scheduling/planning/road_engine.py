"""Driving times from a road engine over HTTP: the OSRM table service, asked in blocks within its limits."""

from __future__ import annotations

import json
import urllib.parse
import urllib.request
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import numpy as np

from scheduling.planning.travel import (
    UNREACHABLE_S,
    Correction,
    Place,
    TravelSettings,
    TravelSource,
    TravelTable,
    corrected,
    estimate_travel,
)
from shared.messages import joined, message

PairKey = tuple[float, float, float, float]
"""Latitude and longitude of origin and destination, rounded to five decimals (about a metre). [°]"""
Leg = tuple[int, int]
"""Driving time and distance. [s], [m]"""
FAR_FROM_ROAD_M = 500
"""A site moved further than this to reach a road is named on the plan."""


class TravelCache(Protocol):
    """Keeps legs between runs, per engine and map version. A database table backs it outside this room."""

    def fetch(self, engine: str, keys: Sequence[PairKey]) -> Mapping[PairKey, Leg]:
        """Return the legs that are known."""
        ...

    def store(self, engine: str, legs: Mapping[PairKey, Leg]) -> None:
        """Keep legs for the next time."""
        ...


class RoutingEngineError(Exception):
    """The engine gave no usable answer."""


class _TooBig(RoutingEngineError):
    """The engine refused the number of places; ask for fewer."""


@dataclass(frozen=True)
class RoadEngine:
    """
    Where the engine answers and how much may be asked at once.

    ``block`` places on each side keep 2 x block within the engine's limit (100 places by default in OSRM).
    ``map_version`` is part of the cache's key: change it when the map data change.
    """

    base_url: str
    profile: str = "driving"
    block: int = 50
    timeout_s: float = 10.0
    map_version: str = ""

    def __post_init__(self) -> None:
        if urllib.parse.urlsplit(self.base_url).scheme not in ("http", "https"):
            raise ValueError(f"road engine address {self.base_url!r} must start with http:// or https://")
        if self.block < 1:
            raise ValueError("a block holds at least one place")

    @property
    def key(self) -> str:
        """Return what names engine, profile and map version in the cache."""
        return f"{self.base_url.rstrip('/')} {self.profile} {self.map_version}".strip()


@dataclass
class _Answer:
    """Legs gathered so far, and places far from any road."""

    legs: dict[PairKey, Leg] = field(default_factory=dict)
    far: set[str] = field(default_factory=set)


def road_travel(
    places: Iterable[Place],
    engine: RoadEngine,
    *,
    cache: TravelCache | None = None,
    settings: TravelSettings | None = None,
    corrections: Iterable[Correction] = (),
) -> TravelTable:
    """
    Return the travel table of the road engine, or the estimate with the mark "fell back".

    All or nothing: engine and straight-line values are never mixed in one table, or failed places would look
    near or far. A pair without a road counts ``UNREACHABLE_S``; the note names a place without any road.
    """
    known = list({place.id: place for place in places if place.has_position}.values())
    hand_set = list(corrections)
    try:
        answer = _gather(known, engine, cache)
    except RoutingEngineError as trouble:
        table = estimate_travel(known, settings=settings, corrections=hand_set)
        return replace(
            table,
            source=TravelSource.FELL_BACK,
            note=message("The road engine failed: {trouble}", trouble=trouble),
        )
    return corrected(_table(known, answer), hand_set)


def _table(places: list[Place], answer: _Answer) -> TravelTable:
    size = len(places)
    drive_s, distance_m = np.zeros((size, size), np.int64), np.zeros((size, size), np.int64)
    for row, origin in enumerate(places):
        for column, destination in enumerate(places):
            if row != column:
                drive_s[row, column], distance_m[row, column] = answer.legs[_key(origin, destination)]
    cut_off = [
        place.id
        for row, place in enumerate(places)
        if size > 1 and (np.delete(drive_s[row], row) >= UNREACHABLE_S).all()
    ]
    notes = [message("No road reaches {list}.", list=", ".join(cut_off))] if cut_off else []
    if answer.far:
        notes.append(
            message(
                "More than {far_from_road_m} m from a road: {list}.",
                far_from_road_m=FAR_FROM_ROAD_M,
                list=", ".join(sorted(answer.far)),
            )
        )
    ids = tuple(place.id for place in places)
    return TravelTable(ids, drive_s, distance_m, TravelSource.ROAD_ENGINE, joined(" ", notes))


def _key(origin: Place, destination: Place) -> PairKey:
    return (*_point(origin), *_point(destination))


def _point(place: Place) -> tuple[float, float]:
    assert place.latitude is not None
    assert place.longitude is not None
    return round(place.latitude, 5), round(place.longitude, 5)


def _gather(places: list[Place], engine: RoadEngine, cache: TravelCache | None) -> _Answer:
    keys = [_key(one, two) for one in places for two in places if one.id != two.id]
    answer = _Answer(dict(cache.fetch(engine.key, keys)) if cache else {})
    block = engine.block
    todo = [(some, others) for some in _cut(places, block) for others in _cut(places, block)]
    while todo:
        origins, destinations = todo.pop()
        if all(_key(one, two) in answer.legs for one in origins for two in destinations if one.id != two.id):
            continue
        try:
            legs, far = _ask(engine, origins, destinations)
        except _TooBig:
            block = max(len(origins), len(destinations)) // 2
            if block < 1:
                raise
            todo += [(some, others) for some in _cut(origins, block) for others in _cut(destinations, block)]
            continue
        answer.legs.update(legs)
        answer.far |= far
        if cache:
            cache.store(engine.key, legs)
    return answer


def _cut(places: list[Place], size: int) -> list[list[Place]]:
    return [places[start : start + size] for start in range(0, len(places), size)]


def _ask(
    engine: RoadEngine, origins: list[Place], destinations: list[Place]
) -> tuple[dict[PairKey, Leg], set[str]]:
    """Ask for one block. Raises RoutingEngineError for anything but a complete answer."""
    points = [*origins, *destinations]
    where = ";".join(f"{_point(place)[1]},{_point(place)[0]}" for place in points)
    sources = ";".join(str(index) for index in range(len(origins)))
    targets = ";".join(str(len(origins) + index) for index in range(len(destinations)))
    url = (
        f"{engine.base_url.rstrip('/')}/table/v1/{engine.profile}/{where}"
        f"?sources={sources}&destinations={targets}&annotations=duration,distance"
    )
    said = _fetch(url, engine.timeout_s)
    shape = (len(origins), len(destinations))
    durations, distances = _grid(said, "durations", shape), _grid(said, "distances", shape)
    legs = {
        _key(one, two): _leg(durations[row][column], distances[row][column])
        for row, one in enumerate(origins)
        for column, two in enumerate(destinations)
        if one.id != two.id
    }
    snapped = zip(origins, said.get("sources") or [], strict=False)
    far = {place.id for place, point in snapped if (point or {}).get("distance", 0) > FAR_FROM_ROAD_M}
    return legs, far


def _leg(seconds: float | None, metres: float | None) -> Leg:
    if seconds is None:
        return UNREACHABLE_S, 0
    return min(UNREACHABLE_S, max(0, round(seconds))), max(0, round(metres or 0))


def _grid(said: dict[str, Any], name: str, shape: tuple[int, int]) -> list[list[float | None]]:
    grid = said.get(name)
    rows, columns = shape
    if not isinstance(grid, list) or len(grid) != rows or any(len(row) != columns for row in grid):
        raise RoutingEngineError(f"its answer has no {name} of {rows} x {columns}")
    return grid


def _fetch(url: str, timeout_s: float) -> dict[str, Any]:
    try:
        with urllib.request.urlopen(url, timeout=timeout_s) as reply:
            body = reply.read()
    except urllib.error.HTTPError as error:
        with error:
            body = error.read()
        if _code(body) == "TooBig" or error.code in (413, 414):
            raise _TooBig("it takes fewer places at once than one") from error
        raise RoutingEngineError(f"HTTP {error.code} {_code(body)}".strip()) from error
    except (OSError, ValueError) as error:
        raise RoutingEngineError(str(error)) from error
    if _code(body) != "Ok":
        raise RoutingEngineError(_code(body) or "its answer is no JSON")
    said: dict[str, Any] = json.loads(body)
    return said


def _code(body: bytes) -> str:
    try:
        said = json.loads(body)
    except ValueError:
        return ""
    return str(said.get("code", "")) if isinstance(said, dict) else ""
