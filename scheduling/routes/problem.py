"""When sites let us in, by the clock on the branch's wall.

Who can drive when: technicians with vans and skills, shifts, absences, days that stay as they are.
From the database to the planner's plain problem: one branch, some days, the orders that may be placed.
"""

from collections import defaultdict
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time
from typing import Final
from zoneinfo import ZoneInfo

from django.db.models import Q

from fleet.models import Branch, LimitName, PartRole
from scheduling.crew.calendar import (
    closed_days,
    days_away,
    free_days_of,
    joined,
    working_hours,
)
from scheduling.models import (
    AccessHours,
    OrderState,
    Route,
    StockLevel,
    StockPlace,
    StopOrder,
    Technician,
    WorkOrder,
    WorkOrderPart,
)
from scheduling.orders.contents import SET_UP_MINUTES
from scheduling.orders.states import in_batches, number_of
from scheduling.planning import problem as planning
from scheduling.planning.proposal import Refusal
from scheduling.planning.travel import Place
from scheduling.routes.duration_factors import DRIVE, in_use_of
from scheduling.routes.travel import prices_on, seconds_of, travel_between
from shared.messages import message
from shared.periods import days_from, local_day


def access_of(site_ids: set[int], branch: Branch, plan_days: list[date]) -> dict[int, planning.AccessHours]:
    """Return the access hours of sites that have any or are closed, by the clock on the branch's wall."""
    rows: dict[int, list[AccessHours]] = defaultdict(list)
    closed: dict[int, set[date]] = {}
    for ids in in_batches(sorted(site_ids)):
        found = AccessHours.objects.filter(site_id__in=ids).select_related("site").order_by("opens_at")
        for row in found:
            rows[row.site_id].append(row)
        closed |= closed_days(ids, plan_days)
    answer = {}
    for site_id in closed.keys() - rows.keys():
        answer[site_id] = planning.AccessHours(by_date=dict.fromkeys(closed[site_id], ()))
    for site_id, hours in rows.items():
        by_date: dict[date, list[tuple[int, int]]] = {day: [] for day in plan_days}
        for row in hours:
            for day in plan_days:
                if day.weekday() == row.weekday and day not in closed.get(site_id, ()):
                    by_date[day].append(
                        hours_on_wall(row.opens_at, row.closes_at, day, row.site.time_zone, branch.time_zone)
                    )
        answer[site_id] = planning.AccessHours(
            by_date={day: joined(windows) for day, windows in by_date.items()}, otherwise=()
        )
    return answer


def hours_on_wall(
    opens_at: time, closes_at: time, day: date, site_zone: str, zone_name: str
) -> tuple[int, int]:
    """Return hours by a site's clock in seconds of the branch's day, within it."""
    shift_s = 0
    if site_zone != zone_name:
        noon = datetime.combine(day, time(12), tzinfo=ZoneInfo(site_zone))
        here = noon.astimezone(ZoneInfo(zone_name)).replace(tzinfo=None)
        shift_s = round((here - noon.replace(tzinfo=None)).total_seconds())
    opens, closes = (seconds_of(at) + shift_s for at in (opens_at, closes_at))
    return max(0, opens), min(planning.DAY_S, closes)


def kept_days(branch: Branch, plan_days: list[date], now: datetime) -> set[tuple[int, date]]:
    """Return the technician-days that stay in force: with finished stops or under way, nobody absent."""
    routes = Route.objects.filter(is_in_force=True, technician__branch=branch, day__in=plan_days)
    rows = routes.filter(Route.FINISHED | Q(leaves_at__lte=now))
    absent = days_away(list(branch.technicians.values_list("pk", flat=True)), plan_days)
    return set(rows.values_list("technician_id", "day").distinct()) - absent


def from_now(shifts: tuple[planning.Shift, ...], here: datetime) -> tuple[planning.Shift, ...]:
    """Return the shifts that are left: today's begin at the next five minutes on the wall."""
    ready_s = -(-seconds_of(here.time()) // 300) * 300
    left = []
    for one in shifts:
        if one.day != here.date():
            left.append(one)
            continue
        start_s, inside = max(one.start_s, ready_s), []
        for begins, ends in one.off:
            if begins <= start_s:
                start_s = max(start_s, ends)
            else:
                inside.append((begins, ends))
        if start_s < one.end_s:
            left.append(replace(one, start_s=start_s, off=tuple(inside)))
    return tuple(left)


def person_of(technician: Technician, kinds: set[str]) -> planning.Technician:
    """Return the technician as the planner knows one: start, skills, van and what the shelf can fill up."""
    home = Place(
        message("start of {code}", code=technician.code),
        technician.start_latitude,
        technician.start_longitude,
        technician.name,
    )
    van, shelf = _stock(technician)
    return planning.Technician(
        id=technician.code,
        name=technician.name,
        start=home,
        end=home,
        skills=frozenset(skill.code for skill in technician.skills.all()),
        van_stock=van or {},
        restock_kinds=frozenset(kinds if van is None and shelf is None else shelf or ()),
    )


def _stock(technician: Technician) -> tuple[dict[str, int] | None, set[str] | None]:
    """Return what the van and the branch's shelves hold; None where nobody counts."""
    van: dict[str, int] = defaultdict(int)
    shelf: set[str] = set()
    van_is_counted = shelf_is_counted = False
    places = StockPlace.objects.filter(
        Q(technician=technician) | Q(technician=None, branch=technician.branch)
    )
    levels = StockLevel.objects.filter(place__in=places)
    for holder, code, quantity in levels.values_list("place__technician_id", "kind__code", "quantity"):
        if holder == technician.pk:
            van_is_counted = True
            van[code] += quantity
        else:
            shelf_is_counted = True
            if quantity > 0:
                shelf.add(code)
    return (dict(van) if van_is_counted else None), (shelf if shelf_is_counted else None)


def shifts_of(
    technicians: list[Technician], plan_days: list[date], kept: set[tuple[int, date]]
) -> tuple[tuple[planning.Shift, ...], list[Refusal]]:
    """Return who works when; a technician without any shift is named with the remedy."""
    branches = {technician.branch_id: technician.branch for technician in technicians}
    hours = working_hours(technicians, plan_days, free_days_of(branches.values(), plan_days))
    shifts, refusals = [], []
    for technician in technicians:
        if not technician.shifts.exists():
            refusals.append(
                Refusal(
                    message("technician {name}", name=technician.name),
                    message("has no working hours."),
                    message("Enter the shifts of the week."),
                )
            )
        for day in plan_days:
            here = (technician.pk, day)
            if here not in hours or here in kept:
                continue
            one = hours[here]
            shifts.append(
                planning.Shift(technician.code, day, one.start_s, one.end_s, one.lunch_s, off=one.off)
            )
    return tuple(shifts), refusals


MOST_STRENGTH: Final = 2.0
TRIP_S: Final = 3600
"""A trip of its own, the measure of ``fleet.assessment.due_windows.TRIP_COST``: about an hour. [s]"""
CARBON_ROLES: Final = (PartRole.CARBON, PartRole.CATALYTIC_CARBON)
_ALONG_THE_WATER: Final = (
    PartRole.SEDIMENT, PartRole.SOFTENING, PartRole.ANTISCALE, PartRole.CARBON, PartRole.CATALYTIC_CARBON,
    PartRole.MEMBRANE, PartRole.POST_CARBON, PartRole.REMINERALISER,
)  # fmt: skip
"""Pre-filters before the membrane, so that no dirt of theirs reaches a new one. *Common practice.*"""


@dataclass
class BranchProblem:
    """A branch's problem with what leads back to the database."""

    branch: Branch
    problem: planning.Problem
    order_of: dict[str, WorkOrder]
    technician_of: dict[str, Technician]
    refusals: list[Refusal] = field(default_factory=list)
    pinned: frozenset[int] = frozenset()
    """Keys of the orders whose stop is pinned by hand."""


def build(
    branch: Branch, first_on: date, days: int, now: datetime, *, is_from_now: bool = True
) -> BranchProblem:
    """Return the problem of a branch.

    Orders: the open ones, those on routes that this plan would replace, and those a past route missed.
    Technician-days with finished stops or under way are left as they are, and so are their orders, unless
    the technician has been called absent: then what is left of that day is to be placed with others.
    ``is_from_now`` lets today's shifts begin no earlier than now.
    """
    plan_days = days_from(first_on, days)
    kept = kept_days(branch, plan_days, now)
    technicians = list(
        Technician.objects.filter(branch=branch, is_active=True)
        .select_related("branch")
        .prefetch_related("skills")
        .order_by("pk")
    )
    orders = _orders(branch, plan_days, kept, now)
    parts = _parts(orders)
    kinds = {code for needed in parts.values() for code in needed}
    pins, pinned = _pins(orders, plan_days, kept)
    access = access_of({order.site_id for order in orders}, branch, plan_days)
    keys = {order.pk: number_of(order.pk) for order in orders}
    paces = {what: row.factor for what, row in in_use_of(branch).items()}
    jobs = tuple(
        _in_promised_hours(_job(order, keys, parts, pins, access, paces.get(order.kind, 1.0)), order, branch)
        for order in orders
    )
    people = tuple(person_of(technician, kinds) for technician in technicians)
    shifts, refusals = shifts_of(technicians, plan_days, kept)
    if is_from_now:
        shifts = from_now(shifts, now.astimezone(ZoneInfo(branch.time_zone)))
    return BranchProblem(
        branch=branch,
        problem=planning.Problem(
            days=tuple(plan_days),
            technicians=people,
            shifts=shifts,
            jobs=jobs,
            travel=travel_between(planning.places_of(people, jobs, shifts), paces.get(DRIVE, 1.0)),
            settings=prices_on(first_on),
        ),
        order_of={keys[order.pk]: order for order in orders},
        technician_of={technician.code: technician for technician in technicians},
        refusals=refusals,
        pinned=pinned,
    )


def _orders(
    branch: Branch, plan_days: list[date], kept: set[tuple[int, date]], now: datetime
) -> list[WorkOrder]:
    today = local_day(now, branch.time_zone)
    in_force = StopOrder.objects.filter(is_in_force=True)
    replaced = in_force.filter(stop__route__day__in=plan_days)
    for technician_id, day in kept:
        replaced = replaced.exclude(stop__route__technician_id=technician_id, stop__route__day=day)
    missed = in_force.filter(stop__route__day__lt=today)
    free = Q(state=OrderState.OPEN)
    free |= Q(state=OrderState.ON_ROUTE, pk__in=replaced.values("order_id"))
    free |= Q(state=OrderState.ON_ROUTE, pk__in=missed.values("order_id"))
    rows = WorkOrder.objects.filter(free, site__branch=branch, site__is_closed=False)
    return list(
        rows.select_related("site", "treatment_unit", "preferred_technician", "part__kind")
        .prefetch_related("skills")
        .order_by("pk")
    )


def _parts(orders: list[WorkOrder]) -> dict[int, dict[str, int]]:
    needed: dict[int, dict[str, int]] = defaultdict(dict)
    for ids in in_batches(order.pk for order in orders):
        rows = WorkOrderPart.objects.filter(order_id__in=ids)
        for order_id, code, quantity in rows.values_list("order_id", "kind__code", "quantity"):
            needed[order_id][code] = quantity
    return needed


def _pins(
    orders: list[WorkOrder], plan_days: list[date], kept: set[tuple[int, date]]
) -> tuple[dict[int, planning.Pin], frozenset[int]]:
    """Promised orders stay on their day, pinned stops with their technician too. Also which are pinned."""
    pinned: set[int] = set()
    pins = {
        order.pk: planning.Pin(planning.PinLevel.DAY, order.promised_on)
        for order in orders
        if order.promised_on in plan_days
    }
    held = StopOrder.objects.filter(is_in_force=True, stop__route__day__in=plan_days).filter(
        Q(stop__is_pinned=True) | Q(order__promised_on__isnull=False)
    )
    for row in held.select_related("stop__route__technician", "order"):
        route, order = row.stop.route, row.order
        if (route.technician_id, route.day) in kept or order.state != OrderState.ON_ROUTE:
            continue
        is_promised = order.promised_on == route.day
        if not row.stop.is_pinned and not is_promised:
            continue
        level = planning.PinLevel.PROMISED if is_promised else planning.PinLevel.TECHNICIAN_DAY
        pins[order.pk] = planning.Pin(level, route.day, route.technician.code)
        if row.stop.is_pinned:
            pinned.add(order.pk)
    return pins, frozenset(pinned)


def _job(
    order: WorkOrder,
    keys: dict[int, str],
    parts: dict[int, dict[str, int]],
    pins: dict[int, planning.Pin],
    access: dict[int, planning.AccessHours],
    pace: float,
) -> planning.Job:
    site = order.site
    after = None
    if order.follows_id in keys:
        after = planning.Link(keys[order.follows_id])
    preferred = order.preferred_technician
    service_s = round(order.minutes * pace) * 60
    life_days = (order.window_to - order.window_from).days
    kind = order.work_kind
    return planning.Job(
        id=keys[order.pk],
        place=Place(site.code, site.latitude, site.longitude, site.name),
        service_s=service_s,
        first_day=order.window_from,
        last_day=order.window_to,
        risk_weight=order.work_kind.late_weight * (1 + max(0.0, min(order.strength, MOST_STRENGTH) - 1)),
        skills=frozenset(skill.code for skill in order.skills.all()),
        parts=parts.get(order.pk, {}),
        access=access.get(order.site_id, planning.ALWAYS_OPEN),
        preferred_technician_id=preferred.code if preferred and preferred.is_active else None,
        after=after,
        pin=pins.get(order.pk),
        best_by=order.best_by_on,
        # A change may come early by no more life than a trip is worth, so its window is as long as that.
        waste_s_per_day=TRIP_S / life_days if kind.needs_part and life_days > 0 else 0.0,
        is_unsafe=is_unsafe_water(order),
        unit_id=str(order.treatment_unit_id),
        step=_step(order),
        set_up_s=0 if kind.raised_by_hand else min(service_s, round(SET_UP_MINUTES * pace) * 60),
    )


def _in_promised_hours(job: planning.Job, order: WorkOrder, branch: Branch) -> planning.Job:
    """Return the job with promised hours as hours of the site: no plan and no move leaves them."""
    day, hours = order.promised_on, order.promised_hours
    if day is None or hours is None:
        return job
    begins, ends = hours_on_wall(*hours, day, order.site.time_zone, branch.time_zone)
    return replace(job, access=job.access.begun_within(day, begins, ends, job.service_s))


def is_unsafe_water(order: WorkOrder) -> bool:
    """Say whether the water must not be used until an order is done.

    A flush that is owed, or carbon behind which chlorine was measured over the limit.
    """
    kind = order.work_kind
    if kind.is_flush:
        return True
    if not kind.needs_part or order.part is None or order.part.kind.role not in CARBON_ROLES:
        return False
    measured = order.numbers.get("limits", {}).get(LimitName.MEASURED_END, {})
    return (measured.get("wear") or 0) >= 1


def _step(order: WorkOrder) -> int:
    """Return the place of an order in the work on its unit: readings, parts along the water, flushes."""
    kind = order.work_kind
    if kind.needs_part and order.part is not None:
        return 1 + _ALONG_THE_WATER.index(order.part.kind.role)
    return len(_ALONG_THE_WATER) + 1 if kind.is_flush else 0
