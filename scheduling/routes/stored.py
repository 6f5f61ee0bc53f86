"""From the planner's answer to rows: routes, stops, what was left out. Placed and unplaced are all orders.

A stored proposal as the planner knows it: one branch's problem today, and the plan laid onto it again.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from django.db.models import Q

from fleet.models import Branch
from scheduling.crew.calendar import time_off
from scheduling.models import (
    STANDING_STATES,
    ProposalState,
    Route,
    RouteProposal,
    Stop,
    StopOrder,
    UnplacedOrder,
)
from scheduling.orders.states import number_of
from scheduling.planning import problem as planning_problem
from scheduling.planning import proposal as planning
from scheduling.planning.checker import Violation, check
from scheduling.planning.near_miss import by_its_own_data
from scheduling.planning.planner import assemble, laid_out
from scheduling.planning.proposal import Proposal, Reason, Totals, Unplaced
from scheduling.planning.proposal import Route as PlannedRoute
from scheduling.planning.proposal import Stop as PlannedStop
from scheduling.planning.tables import Tables, build_tables
from scheduling.planning.timing import route_cost_s
from scheduling.routes.problem import BranchProblem, build
from scheduling.routes.promises import promised_span
from scheduling.routes.travel import seconds_of
from shared.errors import DomainError
from shared.messages import joined, message

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
                text=joined(" ", (one.text, one.remedy)),
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
            why=joined(" ", dict.fromkeys(one.why for one in visit)),
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


Spot = tuple[str, date]
"""A technician's code and a day."""


@dataclass(frozen=True)
class Stored:
    """What a proposal says for one branch, against the world as it is now.

    ``plan`` holds what still works; ``gone`` says what doesn't, order by order, with its reason.
    """

    built: BranchProblem
    tables: Tables
    plan: Proposal
    gone: tuple[str, ...]


def branches_of(row: RouteProposal) -> list[Branch]:
    """Return the branches a proposal has something to say about: its own, or all with technicians."""
    if row.branch is not None:
        return [row.branch]
    return list(Branch.objects.filter(technicians__is_active=True).distinct().order_by("pk"))


def read(row: RouteProposal, branch: Branch, now: datetime) -> Stored:
    """Return a proposal's part for one branch, laid onto today's orders, shifts, hours and pins."""
    days = (row.last_on - row.first_on).days + 1
    built = build(branch, row.first_on, days, now, is_from_now=False)
    placed, pinned = _layout(row, branch, now)
    built = _without_held(row, built, now) if row.state == ProposalState.PUBLISHED else built
    built = _with_own_pins(built, placed, pinned)
    tables = build_tables(built.problem)
    laid = laid_out(tables, placed)
    kept = {tables.jobs[job].id for sequence in laid.values() for job in sequence}
    gone = [
        message(
            "{order}: {why}",
            order=job_id,
            why=why_not_here(tables, built, job_id, spot)[0] or message("it no longer fits there."),
        )
        for spot, jobs in placed.items()
        for job_id in jobs
        if job_id not in kept
    ]
    for number, sequence in laid.items():
        if sequence and route_cost_s(tables, number, sequence) is None:
            slot = tables.slots[number]
            who, day = tables.technicians[slot.technician].name, tables.days[slot.day]
            gone.append(
                message("{who} on {day:%d %b}: the stops no longer fit into the day.", who=who, day=day)
            )
            laid[number] = ()
    plan = assemble(tables, laid, seed=row.seed, versions={}, explained=False)
    return Stored(built, tables, plan, tuple(gone))


def refuse_broken(row: RouteProposal, now: datetime) -> None:
    """Raise DomainError naming what a plan breaks today: a pin, a promise, a window, skill, shift, access
    hour.

    What is done or under way is no longer judged.
    """
    outside = list(_outside_promised_hours(row, now))
    for branch in branches_of(row):
        stored = read(row, branch, now)
        words = [
            *outside,
            *stored.gone,
            *(words_of(one, stored.built) for one in check(stored.built.problem, stored.plan)),
        ]
        if words:
            more = message(" And {words} more.", words=len(words) - 3) if len(words) > 3 else ""
            raise DomainError(
                joined(" ", words[:3]) + more,
                remedy=message("Move what is named to another day or person, or propose again."),
            )


def _outside_promised_hours(row: RouteProposal, now: datetime) -> Iterator[str]:
    """Name visits whose stored time no longer lies within hours promised since."""
    stops = Stop.objects.filter(route__proposal=row, starts_at__gt=now)
    stops = stops.filter(
        orders__order__state__in=STANDING_STATES, orders__order__promised_from__isnull=False
    ).distinct()
    for stop in stops.select_related("route", "site").prefetch_related("orders__order"):
        span = promised_span(stop)
        if span is not None and not span[0] <= stop.starts_at <= span[1]:
            yield message(
                "{name} was promised {hours} on {day:%d %b}, which this plan does not keep.",
                name=stop.site.name,
                hours="–".join(f"{at:%H:%M}" for at in span),
                day=stop.route.day,
            )


def words_of(one: Violation, built: BranchProblem) -> str:
    """Return a broken rule as a sentence for people."""
    where = ""
    if one.technician_id in built.technician_of:
        who = built.technician_of[one.technician_id].name
        where = message(" ({who}, {day:%d %b})", who=who, day=one.day) if one.day else f" ({who})"
    return message("{rule:capitalize}: {text}{where}.", rule=one.rule.value, text=one.text, where=where)


def published_plan(built: BranchProblem, links: Iterable[StopOrder]) -> Proposal:
    """Return what is in force as a plan with its stored times; orders no longer to be done are left out.

    ``links`` come with stop, route and technician, in the order of the day. Orders of one stop follow each
    other, as the plan had them: otherwise the second would seem to move in any new plan.
    """
    by_spot: dict[Spot, list[PlannedStop]] = defaultdict(list)
    driven: dict[Spot, int] = {}
    done_s: dict[int, int] = defaultdict(int)
    for link in links:
        job_id = number_of(link.order_id)
        if job_id not in built.order_of:
            continue
        route, stop = link.stop.route, link.stop
        driven[(route.technician.code, route.day)] = route.drive_minutes * 60
        moments = (stop.arrives_at, stop.starts_at, stop.leaves_at)
        at = [second_of(moment, built.branch.time_zone) for moment in moments]
        work_s = built.problem.job(job_id).service_s
        start_s = min(at[1] + done_s[stop.pk], max(at[1], at[2] - work_s))
        done_s[stop.pk] += work_s
        by_spot[(route.technician.code, route.day)].append(
            PlannedStop(
                job_id, stop.site.code, at[0], start_s, at[2], stop.drive_minutes * 60, stop.drive_metres
            )
        )
    routes = tuple(
        PlannedRoute(
            code, day, "", "", stops[0].arrive_s, stops[-1].leave_s, driven[(code, day)],
            sum(one.distance_m for one in stops), tuple(stops),
        )
        for (code, day), stops in by_spot.items()
    )  # fmt: skip
    on_route = {stop.job_id for route in routes for stop in route.stops}
    ids = tuple(built.order_of)
    left = tuple(Unplaced(one, Reason.COSTS_MORE, "") for one in ids if one not in on_route)
    last = {job.id: job.last_day for job in built.problem.jobs}
    late = [max(0, (route.day - last[stop.job_id]).days) for route in routes for stop in route.stops]
    totals = Totals(
        drive_s=sum(route.drive_s for route in routes), placed=len(on_route), unplaced=len(left),
        late_jobs=sum(days > 0 for days in late), late_days=sum(late),
    )  # fmt: skip
    return Proposal(ids, routes, left, totals=totals)


def _layout(row: RouteProposal, branch: Branch, now: datetime) -> tuple[dict[Spot, list[str]], set[str]]:
    """Return technician-day -> orders in order of visit, and which orders are pinned by hand."""
    links = StopOrder.objects.filter(stop__route__proposal=row, stop__route__technician__branch=branch)
    if row.state == ProposalState.PUBLISHED:
        links = links.filter(is_in_force=True)
    untouched = under_way(row, now) if row.state == ProposalState.PUBLISHED else set()
    placed: dict[Spot, list[str]] = defaultdict(list)
    pinned: set[str] = set()
    rows = links.order_by("stop__route__day", "stop__route_id", "stop__place", "pk").values_list(
        "stop__route_id", "stop__route__technician__code", "stop__route__day", "order_id", "stop__is_pinned"
    )
    for route_id, code, day, order_id, is_pinned in rows:
        if route_id in untouched:
            continue
        placed[(code, day)].append(number_of(order_id))
        if is_pinned:
            pinned.add(number_of(order_id))
    return dict(placed), pinned


def under_way(row: RouteProposal, now: datetime) -> set[int]:
    """Return the keys of a published plan's routes that have finished stops or have left already."""
    return set(
        row.routes.filter(Route.FINISHED | Q(leaves_at__lte=now), is_in_force=True).values_list(
            "pk", flat=True
        )
    )


def _without_held(row: RouteProposal, built: BranchProblem, now: datetime) -> BranchProblem:
    """Return the problem without the days and orders that other published plans or days under way hold."""
    in_force = Route.objects.filter(
        is_in_force=True, technician__branch=built.branch, day__range=(row.first_on, row.last_on)
    )
    others = in_force.filter(~Q(proposal=row) | Q(pk__in=under_way(row, now)))
    days = set(others.values_list("technician__code", "day"))
    taken = StopOrder.objects.filter(is_in_force=True, stop__route__in=others).values_list(
        "order_id", flat=True
    )
    ids = {number_of(pk) for pk in taken}
    if not days:
        return built
    problem = replace(
        built.problem,
        jobs=tuple(job for job in built.problem.jobs if job.id not in ids),
        shifts=tuple(one for one in built.problem.shifts if (one.technician_id, one.day) not in days),
    )
    kept = {job_id: order for job_id, order in built.order_of.items() if job_id not in ids}
    return replace(built, problem=problem, order_of=kept)


def _with_own_pins(built: BranchProblem, placed: dict[Spot, list[str]], pinned: set[str]) -> BranchProblem:
    """Return the problem with this proposal's pins: a promise holds the day, a pinned stop the person too."""
    spot_of = {job_id: spot for spot, jobs in placed.items() for job_id in jobs}
    days = set(built.problem.days)
    jobs = []
    for job in built.problem.jobs:
        promised = built.order_of[job.id].promised_on
        if job.id in pinned:
            code, day = spot_of[job.id]
            pin = planning_problem.Pin(planning_problem.PinLevel.TECHNICIAN_DAY, day, code)
        elif promised in days:
            pin = planning_problem.Pin(planning_problem.PinLevel.DAY, promised)
        else:
            pin = None if job.id in spot_of else job.pin
        jobs.append(replace(job, pin=pin))
    own = frozenset(built.order_of[one].pk for one in pinned if one in built.order_of)
    return replace(built, problem=replace(built.problem, jobs=tuple(jobs)), pinned=own)


def why_not_here(tables: Tables, built: BranchProblem, job_id: str, spot: Spot) -> tuple[str, str]:
    """Return why an order can't stand on a technician-day at all, and the remedy; empty when it could."""
    code, day = spot
    order, who = built.order_of.get(job_id), built.technician_of.get(code)
    if order is None:
        return message("it is no longer open, or stands on another published plan."), message(
            "Leave it out of this plan."
        )
    if who is None:
        return message("{code} does not work in this branch any more.", code=code), message(
            "Choose somebody else."
        )
    if not any(one.technician_id == code and one.day == day for one in built.problem.shifts):
        gone = bool(time_off([who.pk], [day]))
        word = message("is absent") if gone else message("has no shift, or is under way,")
        return message("{name} {word} on {day:%d %b}.", name=who.name, word=word, day=day), message(
            "Choose another day or person."
        )
    if order.promised_on and order.promised_on != day:
        return (
            message(
                "it is promised to the customer for {promised_on:%d %b}, not {day:%d %b}.",
                promised_on=order.promised_on,
                day=day,
            ),
            message("Ask the customer and change the promised day first."),
        )
    if job_id in tables.unplannable:
        return tables.unplannable[job_id].text, tables.unplannable[job_id].remedy
    person = next(one for one in tables.technicians if one.id == who.code)
    return by_its_own_data(tables.jobs[tables.number_of[job_id]], person, day) or ("", "")


def second_of(moment: datetime, time_zone: str) -> int:
    """Return the seconds since midnight that the clock on the wall shows. [s]"""
    return seconds_of(moment.astimezone(ZoneInfo(time_zone)).time())
