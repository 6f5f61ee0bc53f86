"""Closes orders: one transaction from steps to follow-up. Sending it again changes nothing.

One visit as the phone sends it: the close-out and, where feed water was tested, the test.
"""

import logging
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from django.db import IntegrityError, transaction

from fleet.assessment import runs
from fleet.models import Flush, FlushKind, OwedFlush, Part, PartRole, Person
from fleet.readings import flushes
from fleet.readings.feed_tests import record_feed_tests
from fleet.readings.rows import NewFeedTest
from fleet.register import parts
from scheduling.models import (
    CloseOut,
    CloseOutPart,
    OrderState,
    Outcome,
    Stop,
    StopOrder,
    Technician,
    WorkOrder,
)
from scheduling.orders import raising, states, work_orders
from scheduling.stock import movements
from scheduling.visits import checks
from scheduling.visits.checks import MOST_FLUSHES, CloseOutForm, flush_number
from scheduling.visits.close_out_page import sheet_worked_by
from shared.errors import DomainError
from shared.messages import message
from shared.periods import local_day
from shared.translation import label_of

log = logging.getLogger(__name__)
LEAST_AFTER: Final = timedelta(minutes=1)
"""A flush lies at least this long after the change it belongs to."""


@dataclass
class _Done:
    """What has been written so far for one close-out."""

    row: CloseOut
    installed: list[Part] = field(default_factory=list)
    flushes: list[Flush] = field(default_factory=list)
    shortages: list[str] = field(default_factory=list)


def close_out(form: CloseOutForm, *, by: Person | None, now: datetime) -> CloseOut:
    """Close an order as its technician reports it.

    The same ``client_id`` with the same content returns the close-out that stands. Work that is done restarts
    the life of what was changed, records flush and readings, takes parts from the van, closes the order and
    raises the second flush after a night's bedding. The treatment unit is then assessed anew and work raised
    from it; should that fail, the close-out stands and the timetable catches up.

    Raises DomainError, with nothing written, when the order is over, a part was changed by somebody else, a
    hazard control was skipped without a reason, or a value can't be.
    """
    known = _known(form)
    if known is not None:
        return known
    try:
        row = _write(form, by, now)
    except IntegrityError:
        known = _known(form)
        if known is not None:
            return known
        raise
    if row.outcome != Outcome.NOT_DONE:
        # A phone's clock may run ahead by minutes; what it did must be in the past of the assessment.
        _look_again(row.order.treatment_unit_id, max(now, form.finished_at))
    return row


@transaction.atomic
def _write(form: CloseOutForm, by: Person | None, now: datetime) -> CloseOut:
    order = _locked_order(form)
    known = _known(form)
    if known is not None:
        return known
    technician = _technician(form)
    sheet = sheet_worked_by(order.kind, form.step_sheet_version)
    skipped = checks.check(form, order, sheet, now)
    stop = _stop(order, technician)
    done = _Done(
        CloseOut.objects.create(
            client_id=form.client_id,
            order=order,
            stop=stop,
            technician=technician,
            outcome=form.outcome,
            finished_at=form.finished_at,
            received_at=now,
            minutes=form.minutes,
            drive_minutes=_drive_minutes(stop),
            steps=[dict(entry) for entry in form.steps],
            step_sheet_version=sheet.version if sheet else None,
            note=form.note.strip(),
            signed_by=form.signed_by.strip(),
            signature=form.signature,
            form_hash=form.fingerprint(),
        )
    )
    _read(done, form, order, now)
    if form.outcome == Outcome.NOT_DONE:
        _leave_open(done, order, by, now)
        return done.row
    _change_parts(done, form, order, technician)
    _flush(done, form, order, by)
    if form.outcome == Outcome.BEDDING:
        done.row.follow_up = work_orders.raise_follow_up(
            order,
            technician,
            part=_bedded(done, order),
            started_on=local_day(form.finished_at, order.site.time_zone),
            now=now,
        )
    done.row.flush = done.flushes[0] if done.flushes else None
    done.row.save(update_fields=["follow_up", "flush", "performance_reading_id"])
    _close_order(done, order, skipped, by, now)
    return done.row


def _known(form: CloseOutForm) -> CloseOut | None:
    """Return the close-out this form made already. Raises DomainError when that one says something else."""
    row = CloseOut.objects.select_related("order").filter(client_id=form.client_id).first()
    if row is None:
        return None
    if row.form_hash != form.fingerprint():
        raise DomainError(
            message(
                "A close-out of {order} with the same number but other content was "
                "received on {received_at:%d %b %Y %H:%M} UTC.",
                order=row.order,
                received_at=row.received_at,
            ),
            remedy=message(
                "What was received first stands. Have the planner undo it, then send yours as a new one."
            ),
        )
    return row


def _locked_order(form: CloseOutForm) -> WorkOrder:
    order = (
        WorkOrder.objects.select_for_update(of=("self",))
        .select_related("treatment_unit", "site", "part")
        .filter(pk=form.order_id)
        .first()
    )
    if order is None:
        raise DomainError(
            message("There is no order {order_id}.", order_id=form.order_id),
            remedy=message("Load the day again and choose the order there."),
        )
    return order


def _technician(form: CloseOutForm) -> Technician:
    technician = Technician.objects.filter(pk=form.technician_id).select_related("person").first()
    if technician is None:
        raise DomainError(
            message("There is no technician {technician_id}.", technician_id=form.technician_id),
            remedy=message("Log in again."),
        )
    return technician


def _stop(order: WorkOrder, technician: Technician) -> Stop | None:
    """Return the technician's own stop for the order, the one in force first.

    A place on somebody else's route is given up: that stop will not be made for this order.
    """
    StopOrder.objects.filter(order=order, is_in_force=True).exclude(
        stop__route__technician=technician
    ).update(is_in_force=False)
    own = StopOrder.objects.filter(order=order, stop__route__technician=technician)
    link = own.select_related("stop__route").order_by("-is_in_force", "-pk").first()
    return link.stop if link else None


def _drive_minutes(stop: Stop | None) -> int:
    """The drive to a stop counts once, with the first of its orders that is closed."""
    if stop is None or CloseOut.objects.filter(stop=stop, undone_at__isnull=True).exists():
        return 0
    return stop.drive_minutes


def _read(done: _Done, form: CloseOutForm, order: WorkOrder, now: datetime) -> None:
    checks.record_meter(form, order, now)
    done.row.performance_reading_id = checks.record_gauges(form, order, now)
    if done.row.performance_reading_id:
        done.row.save(update_fields=["performance_reading_id"])


def _change_parts(done: _Done, form: CloseOutForm, order: WorkOrder, technician: Technician) -> None:
    flushing = sum(one.minutes for one in form.flushes)
    at = form.finished_at - max(LEAST_AFTER, timedelta(minutes=flushing))
    for number, change in enumerate(form.part_changes):
        position = checks.position_of(change, order)
        old = checks.part_to_take_out(change, order, position)
        moment = max(at, old.installed_at) if old else at
        if old is not None:
            parts.remove(old, at=moment, reason=change.removal_reason)
        new = None
        if change.kind_code:
            kind = checks.kind_of(change)
            new = parts.install(
                position=position,
                kind=kind,
                at=moment,
                serial=change.serial,
                lot=change.lot,
                made_on=change.made_on,
            )
            done.installed.append(new)
            short = movements.use_from_van(
                technician, kind, change.lot.strip(), close_out=done.row, at=form.finished_at, number=number
            )
            done.shortages += [short] if short else []
        CloseOutPart.objects.create(close_out=done.row, removed=old, installed=new)


def _flush(done: _Done, form: CloseOutForm, order: WorkOrder, by: Person | None) -> None:
    for number, one in enumerate(form.flushes):
        kind = one.kind or _kind_called_for(form, done, order)
        done.flushes.append(
            flushes.record_flush(
                treatment_unit=order.treatment_unit,
                kind=kind,
                at=form.finished_at,
                volume_gal=one.volume_gal,
                minutes=one.minutes,
                ran_clear=one.ran_clear,
                part=_only(done.installed),
                by=by,
                client_id=flush_number(form.client_id, number),
            )
        )
    if form.outcome == Outcome.BEDDING and not any(f.kind == FlushKind.BED_STARTED for f in done.flushes):
        done.flushes.append(
            flushes.record_flush(
                treatment_unit=order.treatment_unit,
                kind=FlushKind.BED_STARTED,
                at=form.finished_at,
                part=_bedded(done, order),
                by=by,
                client_id=flush_number(form.client_id, MOST_FLUSHES),
            )
        )


def _kind_called_for(form: CloseOutForm, done: _Done, order: WorkOrder) -> str:
    owed = order.numbers.get("owed")
    if owed and not done.installed:
        return flushes.KIND_THAT_CLEARS[OwedFlush(owed)]
    if form.outcome == Outcome.BEDDING:
        return FlushKind.BED_STARTED
    roles = {part.kind.role for part in done.installed}
    return FlushKind.MEMBRANE_STORAGE_SOLUTION if roles == {PartRole.MEMBRANE} else FlushKind.CARBON_FINES


def _only(installed: list[Part]) -> Part | None:
    """A flush belongs to the one new part that needs it; with several, to the whole treatment unit."""
    needing = [part for part in installed if part.kind.needs_flush]
    return needing[0] if len(needing) == 1 else None


def _bedded(done: _Done, order: WorkOrder) -> Part | None:
    """Return the part that stands overnight: the first new one that needs a flush, along the water."""
    beds = [part for part in done.installed if part.kind.needs_flush and part.kind.role != PartRole.MEMBRANE]
    if beds:
        return min(beds, key=lambda part: part.position.order)
    return order.part if order.part_id and order.part.removed_at is None else None


def _close_order(
    done: _Done, order: WorkOrder, skipped: list[dict], by: Person | None, now: datetime
) -> None:
    closed = (
        WorkOrder.objects.open()
        .filter(pk=order.pk)
        .update(state=OrderState.DONE, ended_at=now, changed_at=now)
    )
    assert closed == 1, "the order was locked"
    by_whom = message("by {technician}", technician=done.row.technician)
    states.note(
        order,
        message("closed out"),
        message("{outcome}, {by_whom}.", outcome=label_of(Outcome, done.row.outcome), by_whom=by_whom),
        at=now,
        by=by,
    )
    for step in skipped:
        states.note(
            order,
            message("hazard control skipped"),
            message("{text} Because: {because}", text=step["text"], because=step["because"]),
            at=now,
            by=by,
        )
    for short in done.shortages:
        states.note(order, message("stock short"), short, at=now, by=by)
    if done.row.follow_up_id:
        states.note(
            order,
            message("followed"),
            message("Second flush: {follow_up}.", follow_up=done.row.follow_up),
            at=now,
            by=by,
        )


def _leave_open(done: _Done, order: WorkOrder, by: Person | None, now: datetime) -> None:
    states.release([order.pk], message("Could not be done: {note}", note=done.row.note), at=now, by=by)
    states.note(order, message("could not be done"), done.row.note, at=now, by=by)


def _look_again(treatment_unit_id: int, now: datetime) -> None:
    """Assess the treatment unit and raise its work. A failure here must not cost what was closed."""
    try:
        with transaction.atomic():
            runs.assess_units([treatment_unit_id], now)
            raising.raise_work(now=now, unit_ids=[treatment_unit_id])
    except Exception:
        log.exception("Assessment after a close-out failed; the timetable will catch up.")


SOURCE = message("technician's visit")


@transaction.atomic
def record_visit(
    form: CloseOutForm, *, feed_test: dict[str, float], by: Person | None, now: datetime
) -> CloseOut:
    """Close an order and record the feed water tested at it. Sending it again changes nothing.

    Raises DomainError, with nothing written, for what ``close_out`` or the test refuses.
    """
    if feed_test:
        _record_test(form, feed_test, now)
    return close_out(form, by=by, now=now)


def _record_test(form: CloseOutForm, feed_test: dict[str, float], now: datetime) -> None:
    """Write the test first, so that the assessment that follows the close-out knows it."""
    site_id = WorkOrder.objects.filter(pk=form.order_id).values_list("site_id", flat=True).first()
    report = record_feed_tests([NewFeedTest(site_id, None, form.finished_at, feed_test, SOURCE)], now=now)
    if report.problems:
        first = report.problems[0]
        raise DomainError(
            message(
                "{first_field} = {first_value}: {first_message}",
                first_field=first.field,
                first_value=first.value,
                first_message=first.message,
            ),
            remedy=first.remedy,
            field=f"test__{first.field}",
        )
