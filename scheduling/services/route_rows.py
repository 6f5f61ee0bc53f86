"""From the planner's answer to rows: routes, stops, what was left out. Placed and unplaced are all orders."""

from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from scheduling.models import Route, RouteProposal, Stop, StopOrder, UnplacedOrder
from scheduling.planning import proposal as planning
from scheduling.services.route_problem import BranchProblem

BATCH = 2000


def write(row: RouteProposal, built: BranchProblem, plan: planning.Proposal) -> None:
    """Write a branch's plan under a proposal. Raises AssertionError when an order is lost or doubled."""
    zone = ZoneInfo(built.branch.time_zone)
    placed = sum(write_route(row, route, built, zone) for route in plan.routes if route.stops)
    write_unplaced(row, built, plan)
    assert placed + len(plan.unplaced) == len(built.order_of), "placed and unplaced must be all orders"


def write_route(row: RouteProposal, route: planning.Route, built: BranchProblem, zone: ZoneInfo) -> int:
    """Write one technician's day. Returns how many orders are on it."""
    kept = Route.objects.create(
        proposal=row,
        technician=built.technician_of[route.technician_id],
        day=route.day,
        leaves_at=on_wall(route.day, route.start_s, zone),
        returns_at=on_wall(route.day, route.end_s, zone),
        lunch_at=on_wall(route.day, route.lunch[0], zone) if route.lunch else None,
        drive_minutes=round(route.drive_s / 60),
        work_minutes=sum(round((stop.leave_s - stop.start_s) / 60) for stop in route.stops),
        drive_metres=route.distance_m,
    )
    return _write_stops(kept, route, built, zone)


def write_unplaced(row: RouteProposal, built: BranchProblem, plan: planning.Proposal) -> None:
    """Write what a plan leaves out, each with its reason."""
    UnplacedOrder.objects.bulk_create(
        (
            UnplacedOrder(
                proposal=row,
                order=built.order_of[one.job_id],
                reason=one.reason.value.removesuffix(" now"),
                text=f"{one.text} {one.remedy}".strip(),
            )
            for one in plan.unplaced
        ),
        batch_size=BATCH,
    )


def _write_stops(kept: Route, route: planning.Route, built: BranchProblem, zone: ZoneInfo) -> int:
    links = []
    for place, visit in enumerate(visits(route), start=1):
        first, last = visit[0], visit[-1]
        stop = Stop.objects.create(
            route=kept,
            place=place,
            site=built.order_of[first.job_id].site,
            arrives_at=on_wall(route.day, first.arrive_s, zone),
            starts_at=on_wall(route.day, first.start_s, zone),
            leaves_at=on_wall(route.day, last.leave_s, zone),
            drive_minutes=round(first.drive_s / 60),
            drive_metres=first.distance_m,
            is_pinned=any(built.order_of[one.job_id].pk in built.pinned for one in visit),
            why=" ".join(dict.fromkeys(one.why for one in visit if one.why)),
        )
        links += [StopOrder(stop=stop, order=built.order_of[one.job_id], why=one.why) for one in visit]
    StopOrder.objects.bulk_create(links, batch_size=BATCH)
    return len(links)


def visits(route: planning.Route) -> Iterator[list[planning.Stop]]:
    """Yield the orders done in one visit of a site."""
    visit: list[planning.Stop] = []
    for stop in route.stops:
        if visit and not (stop.same_visit and stop.place_id == visit[-1].place_id):
            yield visit
            visit = []
        visit.append(stop)
    if visit:
        yield visit


def on_wall(day: date, seconds: int, zone: ZoneInfo) -> datetime:
    """Return the moment at which the clock on the wall shows these seconds after midnight."""
    return (datetime.combine(day, time()) + timedelta(seconds=seconds)).replace(tzinfo=zone)


def merged_totals(plans: list[planning.Proposal]) -> dict:
    """Return the figures of all branches together."""
    names = planning.Totals.__dataclass_fields__
    return {name: sum(getattr(plan.totals, name) for plan in plans) for name in names}
