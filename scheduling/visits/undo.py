"""Takes a close-out back within the day, as a record of its own. What was done stays readable."""

from datetime import datetime

from django.db import transaction

from fleet.assessment import runs
from fleet.models import Flush, FlushKind, Person
from fleet.register import parts
from scheduling.models import CloseOut, OrderState, Outcome, StopOrder, WorkOrder
from scheduling.orders import raising, states, work_orders
from scheduling.stock import movements
from scheduling.visits import recorded
from scheduling.visits.checks import MOST_FLUSHES, flush_number
from shared.errors import DomainError
from shared.messages import joined, message
from shared.periods import local_day
from shared.translation import label_of


def undo(close_out: CloseOut, *, by: Person, reason: str, now: datetime) -> CloseOut:
    """Take a close-out back on the day it came in.

    The old parts are back in place, the new ones have a life of no length, flushes and readings no longer
    count, parts return to the van, a second flush that followed is withdrawn, and the order is open again.
    Revenue that was entered is corrected by the next run of ``enter_revenue``.

    Raises DomainError when no reason is given, the day is over, it is undone already, or later work builds
    on it.
    """
    row = _write(close_out, by, reason, now)
    if row.outcome != Outcome.NOT_DONE:
        raising.raise_work(now=now, unit_ids=[row.order.treatment_unit_id])
    return row


@transaction.atomic
def _write(close_out: CloseOut, by: Person, reason: str, now: datetime) -> CloseOut:
    order = (
        WorkOrder.objects.select_for_update(of=("self",)).select_related("site").get(pk=close_out.order_id)
    )
    row = CloseOut.objects.select_for_update(of=("self",)).select_related("order__site").get(pk=close_out.pk)
    _check(row, order, reason, now)
    if row.outcome != Outcome.NOT_DONE:
        _withdraw_follow_up(row, by, now)
        _put_parts_back(row)
        movements.give_back(row, at=now, by=by)
        told = _take_flushes_back(row)
        recorded.set_aside(row)
        _open_again(order, now)
        states.note(order, message("close-out undone"), joined(" ", (reason.strip(), told)), at=now, by=by)
        # Here, so that no run of raise_work finds the order without its finding.
        runs.assess_units([order.treatment_unit_id], now)
    else:
        states.note(order, message("close-out undone"), reason.strip(), at=now, by=by)
    row.undone_at, row.undone_by, row.undone_because = now, by, reason.strip()[:160]
    row.save(update_fields=["undone_at", "undone_by", "undone_because", "flush"])
    return row


def _check(row: CloseOut, order: WorkOrder, reason: str, now: datetime) -> None:
    if not reason.strip():
        raise DomainError(
            message("The close-out can't be undone without a reason."),
            remedy=message("Say why."),
            field="reason",
        )
    if row.undone_at is not None:
        raise DomainError(
            message("This close-out is undone already."), remedy=message("Nothing is left to do.")
        )
    zone = order.site.time_zone
    if local_day(row.received_at, zone) != local_day(now, zone):
        raise DomainError(
            message(
                "This close-out came in on {received_at:%d %b %Y}; only the same day's can be undone.",
                received_at=local_day(row.received_at, zone),
            ),
            remedy=message("Raise a one-off order that puts right what is wrong."),
        )
    twin = WorkOrder.objects.open().filter(cause_key=order.cause_key).exclude(pk=order.pk).first()
    if twin is not None and twin.state == OrderState.ON_ROUTE:
        raise DomainError(
            message("{twin} stands for the same cause and is on a route.", twin=twin),
            remedy=message("Close {twin} instead, or withdraw it first.", twin=twin),
        )


def _withdraw_follow_up(row: CloseOut, by: Person, now: datetime) -> None:
    follow_up = row.follow_up
    if follow_up is None:
        return
    if follow_up.state == OrderState.DONE:
        raise DomainError(
            message("{follow_up}, which followed this close-out, is done.", follow_up=follow_up),
            remedy=message("Undo that close-out first."),
        )
    if follow_up.state in (OrderState.OPEN, OrderState.ON_ROUTE):
        work_orders.withdraw(
            follow_up, by=by, reason=message("the close-out it followed was undone"), now=now
        )


def _put_parts_back(row: CloseOut) -> None:
    for change in row.parts.select_related("removed__position", "installed__position").order_by("-pk"):
        parts.put_back(change.removed, change.installed)


def _take_flushes_back(row: CloseOut) -> str:
    """Delete the flushes, which now count as never done; return their figures for the history."""
    numbers = [flush_number(row.client_id, number) for number in range(MOST_FLUSHES + 1)]
    flushes = list(Flush.objects.filter(client_id__in=numbers).order_by("pk"))
    told = joined(
        "; ",
        [
            message(
                "{kind} {volume_gal:g} gal {minutes:g} min, {ran_clear}",
                kind=label_of(FlushKind, flush.kind),
                volume_gal=flush.volume_gal,
                minutes=flush.minutes,
                ran_clear=message("clear") if flush.ran_clear else message("not clear"),
            )
            for flush in flushes
        ],
    )
    row.flush = None
    row.save(update_fields=["flush"])
    for flush in flushes:
        flush.delete()
    return message("Flushes voided: {told}.", told=told) if told else ""


def _open_again(order: WorkOrder, now: datetime) -> None:
    twin = WorkOrder.objects.open().filter(cause_key=order.cause_key).exclude(pk=order.pk).first()
    if twin is not None:
        work_orders.withdraw(twin, by=None, reason=message("{order} was reopened", order=order), now=now)
    StopOrder.objects.filter(order=order, is_in_force=True).update(is_in_force=False)
    # Its finding went with the work; the next one for the same cause joins it again.
    WorkOrder.objects.filter(pk=order.pk).update(
        state=OrderState.OPEN, ended_at=None, changed_at=now, finding=None
    )
