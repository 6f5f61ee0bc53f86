"""What holds an order in its place: a stop pinned by hand, a day promised to the customer."""

from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.db import transaction

from fleet.models import Person
from scheduling.models import OrderState, Stop, WorkOrder
from scheduling.services import order_states
from scheduling.services.route_moves import claimed_plan
from shared.errors import CannotDo


@transaction.atomic
def set_pin(stop: Stop, is_pinned: bool, *, by: Person | None, now: datetime) -> None:
    """Pin a stop to its person and day, or let it go. Raises CannotDo on a plan that is set aside."""
    claimed_plan(stop.route.proposal)
    if not Stop.objects.filter(pk=stop.pk, is_pinned=not is_pinned).update(is_pinned=is_pinned):
        return
    ids = list(stop.orders.values_list("order_id", flat=True))
    who = f"{stop.route.technician.name}, {stop.route.day:%d %b %Y}"
    order_states.note_all(ids, "pinned" if is_pinned else "unpinned", who, at=now, by=by)


@transaction.atomic
def promise(order: WorkOrder, on: date | None, *, by: Person | None, now: datetime) -> WorkOrder:
    """Promise a customer the day of an order, which pins it to that day; None takes the promise back.

    Raises CannotDo for a day gone by, outside the window's start, on which the site is closed, or other than
    the day on which a published route already has it.
    """
    order = WorkOrder.objects.select_for_update().get(pk=order.pk)
    if order.state not in (OrderState.OPEN, OrderState.ON_ROUTE):
        raise CannotDo(
            f"{order} is {order.get_state_display().lower()}.",
            remedy="Only work still to be done is promised.",
        )
    if on is not None:
        _refuse_promise(order, on, now)
    order.promised_on, order.changed_at = on, now
    order.save(update_fields=["promised_on", "changed_at"])
    told = f"{on:%d %b %Y}" if on else "The day is free again."
    order_states.note(order, "promised" if on else "promise taken back", told, at=now, by=by)
    return order


def _refuse_promise(order: WorkOrder, on: date, now: datetime) -> None:
    today = now.astimezone(ZoneInfo(order.site.time_zone)).date()
    if on < today:
        raise CannotDo(
            f"{on:%d %b %Y} has passed.", remedy="Promise today or a later day.", field="promised_on"
        )
    if on < order.window_from:
        raise CannotDo(
            f"{order} may not be done before {order.window_from:%d %b %Y}.",
            remedy="Promise that day or a later one.",
            field="promised_on",
        )
    hours = list(order.site.access_hours.all())
    if hours and all(one.weekday != on.weekday() for one in hours):
        raise CannotDo(
            f"{order.site.name} is closed on {on:%A}s.",
            remedy="Promise a day on which it may be entered.",
            field="promised_on",
        )
    link = order.stops.filter(is_in_force=True).select_related("stop__route").first()
    if link is not None and link.stop.route.day != on:
        raise CannotDo(
            f"{order} stands on the published route of {link.stop.route.day:%d %b}.",
            remedy=f"Move its stop to {on:%d %b} first, then promise it.",
            field="promised_on",
        )
