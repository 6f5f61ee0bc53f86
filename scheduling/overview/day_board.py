"""A day of the technicians as a timeline: visits and drives to scale; what is done, promised or late."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from scheduling.models import Route, Stop
from scheduling.overview.today import TechnicianToday, today_on_the_road
from scheduling.routes.selectors import routes_in_force

WIDTH: Final = 1100
NAMES_WIDTH: Final = 150
ROW_HEIGHT: Final = 44
HEAD_HEIGHT: Final = 22
LETTER_WIDTH: Final = 6.4
"""Room that one letter of a stop's name takes."""


@dataclass(frozen=True)
class Block:
    """One visit on the timeline."""

    stop: Stop
    x: float
    width: float
    begins: datetime
    ends: datetime
    state: str
    """``done``, ``shut`` (the site has closed by then), ``late`` (past a limit) or empty."""
    is_promised: bool
    name: str
    """As much of the site's name as there is room for."""


@dataclass(frozen=True)
class Line:
    """One technician's day."""

    route: Route
    y: int
    begins: datetime
    ends: datetime
    x: float
    width: float
    drives: list[tuple[float, float]]
    """Left edge and width of each drive."""
    blocks: list[Block]


@dataclass(frozen=True)
class DayBoard:
    """All technicians with a route on one day."""

    lines: list[Line]
    hours: list[tuple[float, str]]
    now_x: float | None
    height: int
    width: int = WIDTH


class _Scale:
    """Minutes since midnight on a technician's own clock to places along the line."""

    def __init__(self, routes: list[Route], days: dict[int, TechnicianToday]):
        ends = [days[route.pk].back_at if route.pk in days else route.returns_at for route in routes]
        self.first = min(self.hour(route.leaves_at, route) for route in routes) // 60 * 60
        last = max(
            self.hour(max(end, route.returns_at), route) for end, route in zip(ends, routes, strict=True)
        )
        self.last = max(-(-last // 60) * 60, self.first + 60)

    @staticmethod
    def hour(moment: datetime, route: Route) -> float:
        there = moment.astimezone(ZoneInfo(route.technician.branch.time_zone))
        return 24 * 60 * (there.date() - route.day).days + there.hour * 60 + there.minute

    def x(self, minutes: float) -> float:
        share = (minutes - self.first) / (self.last - self.first)
        return round(NAMES_WIDTH + share * (WIDTH - NAMES_WIDTH - 24), 1)

    def at(self, moment: datetime, route: Route) -> float:
        return self.x(self.hour(moment, route))


def day_board(*, day: date, now: datetime, today: date, branch_id: int | None) -> DayBoard | None:
    """Return the timeline of a day's published routes, today's as it runs; None without any."""
    routes = routes_in_force(day, day, branch_id)
    if not routes:
        return None
    running = today_on_the_road(now=now, today=today, branch_id=branch_id) if day == today else []
    days = {one.route_id: one for one in running}
    scale = _Scale(routes, days)
    hours = [
        (scale.x(minutes), f"{int(minutes) // 60 % 24:02d}:00")
        for minutes in range(int(scale.first), int(scale.last) + 1, 60)
    ]
    place = scale.hour(now, routes[0])
    return DayBoard(
        lines=[_line(route, number, scale, days.get(route.pk)) for number, route in enumerate(routes)],
        hours=hours,
        now_x=scale.x(place) if day == today and scale.first <= place <= scale.last else None,
        height=HEAD_HEIGHT + ROW_HEIGHT * len(routes),
    )


def _line(route: Route, number: int, scale: _Scale, runs: TechnicianToday | None) -> Line:
    later = timedelta(minutes=max(runs.behind_minutes, 0)) if runs else timedelta()
    ahead = {stop.pk for stop in runs.ahead} if runs else None
    shut = {stop.pk for stop in runs.shut} if runs else set()
    blocks, drives = [], []
    for stop in route.stops.all():
        is_done = ahead is not None and stop.pk not in ahead
        moved = timedelta() if is_done else later
        arrives = scale.at(stop.arrives_at + moved, route)
        left = scale.at(stop.arrives_at + moved - timedelta(minutes=stop.drive_minutes), route)
        drives.append((left, round(arrives - left, 1)))
        orders = [one.order for one in stop.orders.all()]
        is_late = any(order.window_to < route.day for order in orders)
        begins, ends = stop.starts_at + moved, stop.leaves_at + moved
        x = scale.at(begins, route)
        width = round(max(scale.at(ends, route) - x, 4), 1)
        blocks.append(
            Block(
                stop=stop, x=x, width=width, begins=begins, ends=ends,
                state="done" if is_done else "shut" if stop.pk in shut else "late" if is_late else "",
                is_promised=any(order.promised_on == route.day for order in orders),
                name=stop.site.name[: max(int((width - 6) / LETTER_WIDTH), 0)],
            )
        )  # fmt: skip
    ends = max(route.returns_at, runs.back_at) if runs else route.returns_at
    x = scale.at(route.leaves_at, route)
    return Line(
        route=route, y=HEAD_HEIGHT + ROW_HEIGHT * number, begins=route.leaves_at, ends=ends, x=x,
        width=round(scale.at(ends, route) - x, 1), drives=drives, blocks=blocks,
    )  # fmt: skip
