"""Today on the road: how far each technician is, who runs late, and whose door will be shut."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from scheduling.models import STANDING_STATES, AccessHours, Route, Stop, Technician, Visit
from scheduling.routes.selectors import routes_in_force

SILENT_AFTER: Final = timedelta(hours=3)
"""A day that seems so far behind isn't late but unreported: nothing is forecast of it. *Common practice*."""


@dataclass(frozen=True)
class TechnicianToday:
    """One technician's day so far."""

    technician: Technician
    route_id: int
    zone: ZoneInfo
    done: int
    stops: int
    next_stop: Stop | None
    next_at: datetime | None
    """When the next stop is reached, going by how the day runs."""
    behind_minutes: int
    """Behind the plan; below zero: ahead of it."""
    is_silent: bool
    """Nothing was closed for so long that nothing is forecast; it stands as planned."""
    back_at: datetime
    ahead: list[Stop]
    """Stops still to come, in order."""
    shut: list[Stop]
    """Stops still to come whose site will have closed by then."""


def today_on_the_road(*, now: datetime, today: date, branch_id: int | None) -> list[TechnicianToday]:
    """Return everybody who has a route today, the furthest behind first. Five queries at most."""
    routes = routes_in_force(today, today, branch_id)
    if not routes:
        return []
    visits = Visit.objects.filter(stop__route__in=routes).order_by("finished_at")
    finished = dict(visits.values_list("stop_id", "finished_at"))
    closing: dict[int, time] = {}
    sites = {stop.site_id for route in routes for stop in route.stops.all()}
    hours = AccessHours.objects.filter(site__in=sites, weekday=today.weekday()).order_by("closes_at")
    closing.update(hours.values_list("site_id", "closes_at"))
    return sorted(
        (_day(route, finished, closing, now) for route in routes),
        key=lambda one: (not one.shut, -one.behind_minutes, one.technician.name),
    )


def _day(
    route: Route, finished: Mapping[int, datetime], closing: Mapping[int, time], now: datetime
) -> TechnicianToday:
    stops = list(route.stops.all())
    ahead = [
        stop for stop in stops
        if any(one.is_in_force and one.order.state in STANDING_STATES for one in stop.orders.all())
    ]  # fmt: skip
    left = [(finished[stop.pk], stop.leaves_at) for stop in stops if stop.pk in finished]
    late = max(left)[0] - max(left)[1] if left else timedelta()
    if ahead and now > ahead[0].arrives_at + late:
        late = now - ahead[0].arrives_at
    is_silent = bool(ahead) and late > SILENT_AFTER
    late = timedelta() if is_silent else late
    zone = ZoneInfo(route.technician.branch.time_zone)
    shut = [
        stop for stop in ahead
        if not is_silent and stop.site_id in closing
        and (stop.starts_at + max(late, timedelta())).astimezone(ZoneInfo(stop.site.time_zone)).time()
        >= closing[stop.site_id]
    ]  # fmt: skip
    following = ahead[0] if ahead else None
    return TechnicianToday(
        technician=route.technician, route_id=route.pk, zone=zone, done=len(stops) - len(ahead),
        stops=len(stops), next_stop=following, next_at=following.arrives_at + late if following else None,
        behind_minutes=round(late.total_seconds() / 60), is_silent=is_silent,
        back_at=route.returns_at + late, ahead=ahead, shut=shut,
    )  # fmt: skip
