"""Routes on a plain map of our own: places as points, straight lines between them, on tiles only if set."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from scheduling.pages.maps import WIDTH, FlatMap, Tile, drawing_of
from scheduling.routes.selectors import RouteRow

TRACKS: Final = 8
"""How many looks a line can have (colour and dashes) before they repeat."""


@dataclass(frozen=True)
class Dot:
    """A stop on the drawing."""

    x: float
    y: float
    place: int
    name: str
    is_late: bool = False


@dataclass(frozen=True)
class Track:
    """One route on the drawing."""

    route: RouteRow
    look: int
    points: str
    dots: list[Dot]


@dataclass(frozen=True)
class RouteMap:
    """A drawing of routes."""

    width: float
    height: float
    tracks: list[Track]
    starts: list[Dot]
    people: list[tuple[str, int]]
    scale_points: float
    scale_text: str
    tiles: Sequence[Tile] = ()

    @property
    def scale_y(self) -> int:
        """Where the scale bar stands."""
        return round(self.height) - 16


def route_map(routes: list[RouteRow], *, is_metric: bool, tiles_at: str = "") -> RouteMap | None:
    """Lay routes out on a flat drawing, north up. None where no stop has a position.

    Longitudes shrink by the cosine of the middle latitude, which is true enough over one county or state.
    """
    places = [(r.start[0], r.start[1]) for r in routes]
    places += [
        (stop.latitude, stop.longitude)
        for r in routes
        for stop in r.stops
        if stop.latitude is not None and stop.longitude is not None
    ]
    if len(places) <= len(routes):
        return None
    flat = drawing_of(places, tiles_at)
    looks = {name: i % TRACKS for i, name in enumerate(sorted({r.technician for r in routes}))}
    starts = {r.start: Dot(*flat.at(*r.start), 0, r.technician) for r in routes}
    length, text = flat.scale(is_metric)
    return RouteMap(
        width=WIDTH,
        height=flat.height,
        tracks=[_track(route, looks[route.technician], flat) for route in routes],
        starts=list(starts.values()),
        people=sorted(looks.items()),
        scale_points=length,
        scale_text=text,
        tiles=flat.tiles,
    )


def geojson(routes: list[RouteRow]) -> dict:
    """Return routes as GeoJSON (RFC 7946): a line per route, a point per stop."""
    features = []
    for route in routes:
        line = [[route.start[1], route.start[0]]]
        for stop in route.stops:
            if stop.latitude is None or stop.longitude is None:
                continue
            place = [stop.longitude, stop.latitude]
            line.append(place)
            features.append(
                _feature(
                    "Point",
                    place,
                    route=route.pk,
                    place=stop.place,
                    site=stop.site_name,
                    arrives_at=stop.arrives_at.isoformat(),
                    orders=[order.number for order in stop.orders],
                )
            )
        line.append(line[0])
        features.append(
            _feature(
                "LineString",
                line,
                route=route.pk,
                technician=route.technician,
                day=route.day.isoformat(),
                drive_minutes=route.drive_minutes,
            )
        )
    return {"type": "FeatureCollection", "features": features}


def _track(route: RouteRow, look: int, flat: FlatMap) -> Track:
    dots = []
    for stop in route.stops:
        if stop.latitude is None or stop.longitude is None:
            continue
        late = any(order.window_to < route.day for order in stop.orders)
        dots.append(Dot(*flat.at(stop.latitude, stop.longitude), stop.place, stop.site_name, late))
    start = flat.at(*route.start)
    line = [start, *((dot.x, dot.y) for dot in dots), start]
    return Track(route, look, " ".join(f"{x},{y}" for x, y in line), dots)


def _feature(kind: str, coordinates: list, **properties: object) -> dict:
    return {
        "type": "Feature",
        "geometry": {"type": kind, "coordinates": coordinates},
        "properties": properties,
    }
