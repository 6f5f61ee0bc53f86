"""What is promised to a customer: a day, or hours of a day in which work begins. Every plan keeps it."""

from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from django.db import transaction

from fleet.models import Person
from scheduling.crew.calendar import refuse_closed
from scheduling.models import OrderState, Stop, WorkOrder
from scheduling.orders import states
from shared.errors import DomainError
from shared.messages import message
from shared.periods import local_day
from shared.translation import label_of


@transaction.atomic
def promise(
    order: WorkOrder, on: date | None, *, hours: tuple[time, time] | None = None, by: Person | None,
    now: datetime,
) -> WorkOrder:  # fmt: skip
    """Promise a customer the day of an order, which pins it to that day; None takes the promise back.

    ``hours``: first and last moment at which work may begin, by the site's clock. A published route that has
    it at another time gives it up: the promise wins, and the order is open again.
    Raises DomainError for a day gone by, outside the window's start, or on which the site is closed, and for
    hours in which its work does not fit.
    """
    order = WorkOrder.objects.select_for_update(of=("self",)).select_related("site__branch").get(pk=order.pk)
    if order.state not in (OrderState.OPEN, OrderState.ON_ROUTE):
        raise DomainError(
            message("{order} is {state}.", order=order, state=label_of(OrderState, order.state).lower()),
            remedy=message("Only work still to be done is promised."),
        )
    if on is not None:
        _refuse_day(order, on, now)
        _refuse_hours(order, on, hours, now)
        _leave_other_times(order, on, hours, by, now)
    order.promised_on, order.changed_at = on, now
    order.promised_from, order.promised_until = hours if on and hours else (None, None)
    order.save(update_fields=["promised_on", "promised_from", "promised_until", "changed_at"])
    told = promised_text(order) if on else message("The day is free again.")
    states.note(order, message("promised") if on else message("promise withdrawn"), told, at=now, by=by)
    return order


def promised_text(order: WorkOrder) -> str:
    """Return day and hours as told to people."""
    if order.promised_from is None:
        return message("{on:%d %b %Y}", on=order.promised_on)
    return message(
        "{on:%d %b %Y}, {hours}",
        on=order.promised_on, hours=_clock(order.promised_from, order.promised_until),
    )  # fmt: skip


def promised_span(stop: Stop) -> tuple[datetime, datetime] | None:
    """Return the hours promised for a stop, of several promises what they share. None: no hours."""
    day, zone = stop.route.day, ZoneInfo(stop.site.time_zone)
    spans = [
        tuple(datetime.combine(day, at, tzinfo=zone) for at in placed.order.promised_hours)
        for placed in stop.orders.all()
        if placed.order.promised_on == day and placed.order.promised_hours
    ]
    return (max(begin for begin, _ in spans), min(end for _, end in spans)) if spans else None


def _clock(begins: time | None, ends: time | None) -> str:
    return f"{begins:%H:%M}–{ends:%H:%M}"


def _refuse_day(order: WorkOrder, on: date, now: datetime) -> None:
    today = local_day(now, order.site.time_zone)
    if on < today:
        raise DomainError(
            message("{on:%d %b %Y} has passed.", on=on),
            remedy=message("Promise today or a later day."),
            field="promised_on",
        )
    if on < order.window_from:
        raise DomainError(
            message(
                "{order} may not be done before {window_from:%d %b %Y}.",
                order=order,
                window_from=order.window_from,
            ),
            remedy=message("Promise that day or a later one."),
            field="promised_on",
        )
    hours = list(order.site.access_hours.all())
    if hours and all(one.weekday != on.weekday() for one in hours):
        raise DomainError(
            message("{name} is closed on {on:%A}s.", name=order.site.name, on=on),
            remedy=message("Promise a day on which it may be entered."),
            field="promised_on",
        )
    refuse_closed(order.site, on, field="promised_on")


def _refuse_hours(order: WorkOrder, on: date, hours: tuple[time, time] | None, now: datetime) -> None:
    if hours is None:
        return
    begins, ends = hours
    if begins >= ends:
        raise DomainError(
            message("The promised hours end at {ends}, before they begin.", ends=f"{ends:%H:%M}"),
            remedy=message("Write the earlier hour first."),
            field="promised_until",
        )
    here = now.astimezone(ZoneInfo(order.site.time_zone))
    if on == here.date() and ends <= here.time():
        raise DomainError(
            message("{ends} has passed.", ends=f"{ends:%H:%M}"),
            remedy=message("Promise a later hour."),
            field="promised_until",
        )
    rows = [row for row in order.site.access_hours.all() if row.weekday == on.weekday()]
    if rows and not any(_fits(on, order.minutes, row.opens_at, row.closes_at, hours) for row in rows):
        opening = ", ".join(_clock(row.opens_at, row.closes_at) for row in rows)
        raise DomainError(
            message(
                "{name} may be entered {opening} on {on:%A}s; {minutes} min of work begun within {hours} "
                "do not fit in.",
                name=order.site.name, opening=opening, on=on, minutes=order.minutes, hours=_clock(*hours),
            ),
            remedy=message("Promise hours within these."),
            field="promised_from",
        )  # fmt: skip


def _fits(on: date, minutes: int, opens: time, closes: time, hours: tuple[time, time]) -> bool:
    """Say whether work can begin within the hours and end before closing."""
    last = datetime.combine(on, closes) - timedelta(minutes=minutes)
    return datetime.combine(on, max(opens, hours[0])) <= min(last, datetime.combine(on, hours[1]))


def _leave_other_times(
    order: WorkOrder, on: date, hours: tuple[time, time] | None, by: Person | None, now: datetime
) -> None:
    other = order.stops.filter(is_in_force=True)
    there = {"stop__route__day": on}
    if hours:
        zone = ZoneInfo(order.site.time_zone)
        begins, ends = (datetime.combine(on, at, tzinfo=zone) for at in hours)
        # Of a stop for several orders this one may come last.
        last = ends + timedelta(minutes=order.minutes)
        there |= {"stop__starts_at__gte": begins, "stop__leaves_at__lte": last}
    if other.exclude(**there).exists():
        states.release([order.pk], message("Promised for {on:%d %b %Y}.", on=on), at=now, by=by)
        order.refresh_from_db()
