"""Routes on a plain map of our own: places as points, straight lines between them, on tiles only if set."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from scheduling.models import Route, Stop
from scheduling.pages.maps import WIDTH, FlatMap, Tile, drawing_of

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

    route: Route
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


def route_map(routes: list[Route], *, is_metric: bool, tiles_at: str = "") -> RouteMap | None:
    """Lay routes out on a flat drawing, north up. None where no stop has a position.

    Longitudes shrink by the cosine of the middle latitude, which is true enough over one county or state.
    """
    places = [route.start for route in routes]
    places += [(stop.site.latitude, stop.site.longitude) for route in routes for stop in _located(route)]
    if len(places) <= len(routes):
        return None
    flat = drawing_of(places, tiles_at)
    looks = {name: i % TRACKS for i, name in enumerate(sorted({route.technician.name for route in routes}))}
    starts = {route.start: Dot(*flat.at(*route.start), 0, route.technician.name) for route in routes}
    length, text = flat.scale(is_metric)
    return RouteMap(
        width=WIDTH,
        height=flat.height,
        tracks=[_track(route, looks[route.technician.name], flat) for route in routes],
        starts=list(starts.values()),
        people=sorted(looks.items()),
        scale_points=length,
        scale_text=text,
        tiles=flat.tiles,
    )


def geojson(routes: list[Route]) -> dict:
    """Return routes as GeoJSON (RFC 7946): a line per route, a point per stop."""
    features = []
    for route in routes:
        line = [[route.start[1], route.start[0]]]
        for stop in _located(route):
            place = [stop.site.longitude, stop.site.latitude]
            line.append(place)
            features.append(
                _feature(
                    "Point",
                    place,
                    route=route.pk,
                    place=stop.place,
                    site=stop.site.name,
                    arrives_at=stop.arrives_at.isoformat(),
                    orders=[placed.number for placed in stop.orders.all()],
                )
            )
        line.append(line[0])
        features.append(
            _feature(
                "LineString",
                line,
                route=route.pk,
                technician=route.technician.name,
                day=route.day.isoformat(),
                drive_minutes=route.drive_minutes,
            )
        )
    return {"type": "FeatureCollection", "features": features}


def _track(route: Route, look: int, flat: FlatMap) -> Track:
    dots = []
    for stop in _located(route):
        late = any(placed.order.window_to < route.day for placed in stop.orders.all())
        at = flat.at(stop.site.latitude, stop.site.longitude)
        dots.append(Dot(*at, stop.place, stop.site.name, late))
    start = flat.at(*route.start)
    line = [start, *((dot.x, dot.y) for dot in dots), start]
    return Track(route, look, " ".join(f"{x},{y}" for x, y in line), dots)


def _located(route: Route) -> list[Stop]:
    """Return the stops whose site has a position."""
    return [
        stop
        for stop in route.stops.all()
        if stop.site.latitude is not None and stop.site.longitude is not None
    ]


def _feature(kind: str, coordinates: list, **properties: object) -> dict:
    return {
        "type": "Feature",
        "geometry": {"type": kind, "coordinates": coordinates},
        "properties": properties,
    }
