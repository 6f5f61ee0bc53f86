"""What the technician's phone shows of the own day."""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

from django.db.models import Q, QuerySet

from scheduling.models import (
    STANDING_STATES,
    CloseOut,
    Outcome,
    Route,
    Stop,
    StopOrder,
    Technician,
    WorkOrder,
)
from scheduling.orders.kit import KitLine, kit_of_orders
from scheduling.orders.steps import current_cautions, current_sheets
from scheduling.routes.selectors import LoadRow, load_list, route_rows

DAYS_AROUND: Final = 14


@dataclass(frozen=True)
class DayOrder:
    """One order of the day."""

    row: StopOrder
    readiness: str
    readiness_word: str
    mains_voltage: int
    is_over: bool
    outcome_word: str
    was_tried: bool
    """True when a visit ended without the work done, so that it still stands."""


@dataclass(frozen=True)
class DayStop:
    """One stop of the day."""

    stop: Stop
    orders: list[DayOrder]

    @property
    def left(self) -> list[DayOrder]:
        """What is still to do here."""
        return [order for order in self.orders if not order.is_over]

    @property
    def is_over(self) -> bool:
        """True when nothing is left to do here."""
        return all(order.is_over for order in self.orders)


@dataclass(frozen=True)
class DayPage:
    """A technician's day."""

    technician: str
    day: date
    today: date
    zone: str
    route: Route | None
    stops: list[DayStop]
    cautions: list[str]
    load: list[LoadRow]
    kit: list[KitLine]
    """What else to take along for what is still to do."""
    other_days: list[date]

    @property
    def left(self) -> int:
        """Stops still to be done."""
        return sum(not stop.is_over for stop in self.stops)


def day_page(technician: Technician, day: date, today: date) -> DayPage:
    """Return the technician's published day. Ten queries, however many stops."""
    routes = route_rows(Route.objects.filter(technician=technician, day=day, is_in_force=True))
    route = routes[0] if routes else None
    stops = list(route.stops.all()) if route else []
    rows = [placed for stop in stops for placed in stop.orders.all()]
    facts = _facts(rows)
    ended = _ended(rows)
    return DayPage(
        technician=technician.name,
        day=day,
        today=today,
        zone=technician.branch.time_zone,
        route=route,
        stops=[DayStop(stop, [_day_order(row, facts, ended) for row in stop.orders.all()]) for stop in stops],
        cautions=current_cautions({row.order.kind for row in rows}),
        load=load_list(route) if route else [],
        kit=kit_of_orders(_to_do(facts), current_sheets()),
        other_days=_days_with_work(technician, today),
    )


def order_of_own_day(technician: Technician, order_id: int) -> StopOrder | None:
    """Return the place of an order on this technician's routes as published, or None when it is not theirs.

    A route replaced by a later plan still counts: the work may have been done before the phone heard of it.
    """
    mine = own_orders(technician).filter(order_id=order_id)
    found = mine.select_related("stop__route", "stop__site")
    return found.order_by("-is_in_force", "-stop__route__day").first()


def own_orders(technician: Technician) -> QuerySet[StopOrder]:
    """Return the places of orders on this technician's routes as they are or were published."""
    was_published = Q(stop__route__proposal__published_at__isnull=False)
    return StopOrder.objects.filter(
        Q(is_in_force=True) | Q(stop__route__is_in_force=True) | was_published,
        stop__route__technician=technician,
    )


def _facts(rows: list[StopOrder]) -> dict[int, WorkOrder]:
    orders = WorkOrder.objects.filter(pk__in=[row.order_id for row in rows])
    return {order.pk: order for order in orders.select_related("treatment_unit__state", "part__kind")}


def _to_do(orders: dict[int, WorkOrder]) -> list[WorkOrder]:
    return [order for order in orders.values() if order.state in STANDING_STATES]


def _ended(rows: list[StopOrder]) -> dict[int, CloseOut]:
    done = CloseOut.objects.filter(order_id__in=[row.order_id for row in rows], undone_at__isnull=True)
    return {one.order_id: one for one in done.order_by("finished_at")}


def _day_order(row: StopOrder, facts: dict[int, WorkOrder], closed: dict[int, CloseOut]) -> DayOrder:
    order, ended = facts.get(row.order_id), closed.get(row.order_id)
    treatment_unit = order.treatment_unit if order else None
    state = getattr(treatment_unit, "state", None)
    return DayOrder(
        row=row,
        readiness=state.readiness if state else "",
        readiness_word=state.get_readiness_display() if state else "",
        mains_voltage=treatment_unit.mains_voltage if treatment_unit else 0,
        is_over=row.order.state not in STANDING_STATES,
        outcome_word=ended.get_outcome_display() if ended else order.get_state_display() if order else "",
        was_tried=ended is not None and ended.outcome == Outcome.NOT_DONE,
    )


def _days_with_work(technician: Technician, today: date) -> list[date]:
    around = (today - timedelta(days=DAYS_AROUND), today + timedelta(days=DAYS_AROUND))
    days = Route.objects.filter(technician=technician, is_in_force=True, day__range=around)
    return list(days.order_by("day").values_list("day", flat=True))
