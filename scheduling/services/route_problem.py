"""From the database to the planner's plain problem: one branch, some days, the orders that may be placed."""

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Final
from zoneinfo import ZoneInfo

from django.db.models import Q

from fleet.models import Branch
from scheduling.models import (
    OrderKind,
    OrderState,
    StopOrder,
    Technician,
    WorkOrder,
    WorkOrderPart,
)
from scheduling.planning import problem as planning
from scheduling.planning.travel import Place
from scheduling.queries.paces import DRIVE, in_use_of
from scheduling.services.order_states import in_batches, number_of
from scheduling.services.plan_settings import prices_on
from scheduling.services.route_access import access_of
from scheduling.services.route_people import from_now, kept_days, person_of, shifts_of
from scheduling.services.travel_legs import travel_between
from shared.periods import days_from

RISK: Final = {
    OrderKind.REFLUSH_REQUIRED: 2.0,
    OrderKind.PERFORMANCE_DECAY: 1.2,
    OrderKind.CHANGE_DUE: 1.0,
    OrderKind.PLAN_VISIT: 0.8,
    OrderKind.ONE_OFF: 1.0,
    OrderKind.FEED_TEST: 0.5,
    OrderKind.READING: 0.4,
}
"""What a late day of each kind weighs against that of a change. Our choice."""
MOST_STRENGTH: Final = 2.0


@dataclass
class BranchProblem:
    """A branch's problem with what leads back to the database."""

    branch: Branch
    problem: planning.Problem
    order_of: dict[str, WorkOrder]
    technician_of: dict[str, Technician]
    refusals: list[dict] = field(default_factory=list)
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
        Technician.objects.filter(branch=branch, is_active=True).prefetch_related("skills").order_by("pk")
    )
    orders = _orders(branch, plan_days, kept, now)
    parts = _parts(orders)
    kinds = {code for needed in parts.values() for code in needed}
    pins, pinned = _pins(orders, plan_days, kept)
    access = access_of({order.site_id for order in orders}, branch, plan_days)
    keys = {order.pk: number_of(order.pk) for order in orders}
    paces = {what: row.factor for what, row in in_use_of(branch).items()}
    jobs = tuple(_job(order, keys, parts, pins, access, paces.get(order.kind, 1.0)) for order in orders)
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
    today = now.astimezone(ZoneInfo(branch.time_zone)).date()
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
        rows.select_related("site", "treatment_unit", "preferred_technician")
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
    return planning.Job(
        id=keys[order.pk],
        place=Place(site.code, site.latitude, site.longitude, site.name),
        service_s=round(order.minutes * pace) * 60,
        first_day=order.window_from,
        last_day=order.window_to,
        risk_weight=RISK[OrderKind(order.kind)] * (1 + max(0.0, min(order.strength, MOST_STRENGTH) - 1)),
        skills=frozenset(skill.code for skill in order.skills.all()),
        parts=parts.get(order.pk, {}),
        access=access.get(order.site_id, planning.ALWAYS_OPEN),
        preferred_technician_id=preferred.code if preferred and preferred.is_active else None,
        after=after,
        pin=pins.get(order.pk),
    )
