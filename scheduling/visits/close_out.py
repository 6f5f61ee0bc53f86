"""Writes a visit as the phone sends it: one transaction from steps to follow-up, over all its orders.

Sending it again changes nothing.
"""

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Final

from django.db import IntegrityError, transaction

from fleet.assessment import runs
from fleet.models import Person
from fleet.register import parts
from scheduling.models import (
    CloseOut,
    CloseOutPart,
    NotDoneBecause,
    OrderState,
    Outcome,
    StepSheet,
    Stop,
    StopOrder,
    Technician,
    Visit,
    WorkOrder,
)
from scheduling.orders import raising, states, work_orders
from scheduling.stock import movements
from scheduling.visits import checks, field_reports, recorded
from scheduling.visits.checks import CloseOutForm, VisitForm
from scheduling.visits.flushed import Reported, bedded, record_flushes
from scheduling.visits.visit_page import sheet_worked_by
from shared.errors import DomainError
from shared.messages import joined, message
from shared.periods import local_day
from shared.translation import label_of

log = logging.getLogger(__name__)
LEAST_AFTER: Final = timedelta(minutes=1)
"""A flush lies at least this long after the change it belongs to."""


def close_out(form: CloseOutForm, *, by: Person | None, now: datetime) -> CloseOut:
    """Close one order as its technician reports it: a visit for one order. See ``record_visit``."""
    return record_visit(VisitForm(form.client_id, [form]), by=by, now=now)[0]


def record_visit(form: VisitForm, *, by: Person | None, now: datetime) -> list[CloseOut]:
    """Write what a technician reports of one stop: all of it or nothing.

    The same number with the same content returns what stands. Work that is done restarts the life of what was
    changed, records flush and readings, takes parts from the van, closes its order and raises the second
    flush after a night's bedding; work that could not be done goes back to the planner with its reason. The
    treatment units are then assessed anew and work raised from them; should that fail, the visit stands and
    the timetable catches up.

    Raises DomainError, with nothing written, when an order is over, a part was changed by somebody else, a
    hazard control was skipped without a reason, or a value can't be.
    """
    known = _known(form)
    if known:
        return known
    try:
        rows = _write(form, by, now)
    except IntegrityError:
        known = _known(form)
        if known:
            return known
        raise
    units = {row.order.treatment_unit_id for row in rows if row.outcome != Outcome.NOT_DONE}
    if units:
        # A phone's clock may run ahead by minutes; what it did must be in the past of the assessment.
        _look_again(sorted(units), max(now, form.results[0].finished_at))
    return rows


@transaction.atomic
def _write(form: VisitForm, by: Person | None, now: datetime) -> list[CloseOut]:
    orders = _locked_orders(form)
    known = _known(form)
    if known:
        return known
    technician = _technician(form)
    sheets = {
        one.order_id: sheet_worked_by(orders[one.order_id].kind, one.step_sheet_version)
        for one in form.results
    }
    skipped = {}
    for one in form.results:
        with _about(form, one):
            skipped[one.order_id] = checks.check(one, orders[one.order_id], sheets[one.order_id], now)
    recorded.record_test(form, orders[form.results[0].order_id].site_id, now)
    visit = _visit(form, orders, technician, now)
    reported = []
    for one in form.results:
        order, sheet = orders[one.order_id], sheets[one.order_id]
        row = _close_out_row(one, order, visit, technician, sheet, now)
        done = Reported(row, order, one, skipped[order.pk])
        with _about(form, one):
            _read(done, now)
            if one.outcome == Outcome.NOT_DONE:
                _leave_open(done, by, now)
            else:
                _change_parts(done, technician)
        reported.append(done)
    _finish(reported, technician, by, now)
    return [done.row for done in reported]


@contextmanager
def _about(form: VisitForm, one: CloseOutForm) -> Iterator[None]:
    """Say of which of several orders a refusal is."""
    try:
        yield
    except DomainError as error:
        if len(form.results) == 1:
            raise
        field = f"o{one.order_id}:{error.field}"
        told = message("W{number:06d}: {what}", number=one.order_id, what=error.message)
        raise DomainError(told, remedy=error.remedy, field=field) from error


def _finish(reported: list[Reported], technician: Technician, by: Person | None, now: datetime) -> None:
    """Flush with every new part of the unit in its place, then close the orders."""
    worked = [done for done in reported if done.form.outcome != Outcome.NOT_DONE]
    for done in worked:
        unit_id = done.order.treatment_unit_id
        new = [part for one in worked if one.order.treatment_unit_id == unit_id for part in one.installed]
        record_flushes(done, new, by)
        if done.form.outcome == Outcome.BEDDING:
            done.row.follow_up = work_orders.raise_follow_up(
                done.order,
                technician,
                part=bedded(done),
                started_on=local_day(done.form.finished_at, done.order.site.time_zone),
                now=now,
            )
        done.row.flush = done.flushes[0] if done.flushes else None
        done.row.save(update_fields=["follow_up", "flush", "performance_reading_id"])
        _close_order(done, by, now)


def _visit(form: VisitForm, orders: dict[int, WorkOrder], technician: Technician, now: datetime) -> Visit:
    first = form.results[0]
    sites = {order.site_id for order in orders.values()}
    if len(sites) != 1 or any(one.finished_at != first.finished_at for one in form.results):
        raise DomainError(
            message("A visit is at one site and ends once."), remedy=message("Send each site by itself.")
        )
    started = form.started_at
    if started and started > first.finished_at + checks.AHEAD:
        raise DomainError(
            message("The work is said to be finished before its page was loaded."),
            remedy=message(
                "Set the phone's clock right, then press the button again. {keep}", keep=checks.KEEP
            ),
            field="finished_at",
        )
    return Visit.objects.create(
        client_id=form.client_id,
        site_id=sites.pop(),
        technician=technician,
        stop=_stop(orders[first.order_id], technician),
        started_at=min(started, first.finished_at) if started else None,
        finished_at=first.finished_at,
        received_at=now,
    )


def _close_out_row(
    form: CloseOutForm,
    order: WorkOrder,
    visit: Visit,
    technician: Technician,
    sheet: StepSheet | None,
    now: datetime,
) -> CloseOut:
    stop = _stop(order, technician)
    return CloseOut.objects.create(
        client_id=form.client_id,
        visit=visit,
        order=order,
        stop=stop,
        technician=technician,
        outcome=form.outcome,
        not_done_because=form.not_done_because if form.outcome == Outcome.NOT_DONE else "",
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


def _known(form: VisitForm) -> list[CloseOut]:
    """Return what this form wrote already. Raises DomainError when that says something else."""
    sent = {one.client_id: one for one in form.results}
    rows = {row.client_id: row for row in CloseOut.objects.select_related("order").filter(client_id__in=sent)}
    for number, row in rows.items():
        if row.form_hash != sent[number].fingerprint():
            raise _other_content(row)
    if rows and len(rows) < len(sent):
        raise _other_content(next(iter(rows.values())))
    return [rows[one.client_id] for one in form.results] if rows else []


def _other_content(row: CloseOut) -> DomainError:
    return DomainError(
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


def _locked_orders(form: VisitForm) -> dict[int, WorkOrder]:
    """Return the orders, locked in one order, so that two visits never wait for each other."""
    rows = (
        WorkOrder.objects.select_for_update(of=("self",))
        .select_related("treatment_unit", "site", "part")
        .filter(pk__in=[one.order_id for one in form.results])
        .order_by("pk")
    )
    orders = {order.pk: order for order in rows}
    for one in form.results:
        if one.order_id not in orders:
            raise DomainError(
                message("There is no order {order_id}.", order_id=one.order_id),
                remedy=message("Load the day again and choose the order there."),
            )
    return orders


def _technician(form: VisitForm) -> Technician:
    technician_id = form.results[0].technician_id
    technician = Technician.objects.filter(pk=technician_id).select_related("person").first()
    if technician is None:
        raise DomainError(
            message("There is no technician {technician_id}.", technician_id=technician_id),
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


def _read(done: Reported, now: datetime) -> None:
    recorded.record_meter(done.form, done.order, now)
    row = done.row
    row.as_found_reading_id, row.performance_reading_id = recorded.record_gauges(done.form, done.order, now)
    if row.as_found_reading_id or row.performance_reading_id:
        row.save(update_fields=["as_found_reading_id", "performance_reading_id"])


def _change_parts(done: Reported, technician: Technician) -> None:
    form = done.form
    flushing = sum(one.minutes for one in form.flushes)
    at = form.finished_at - max(LEAST_AFTER, timedelta(minutes=flushing))
    for number, change in enumerate(form.part_changes):
        position = checks.position_of(change, done.order)
        old = checks.part_to_take_out(change, done.order, position)
        moment = max(at, old.installed_at) if old else at
        if old is not None:
            parts.remove(old, at=moment, reason=change.removal_reason, evidence=change.evidence)
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
                factory_rejection=change.factory_rejection,
            )
            done.installed.append(new)
            short = movements.use_from_van(
                technician, kind, change.lot.strip(), close_out=done.row, at=form.finished_at, number=number
            )
            done.shortages += [short] if short else []
        CloseOutPart.objects.create(close_out=done.row, removed=old, installed=new)


def _close_order(done: Reported, by: Person | None, now: datetime) -> None:
    order = done.order
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
    for step in done.skipped:
        states.note(
            order,
            message("hazard control skipped"),
            message("{text} Because: {because}", text=step["text"], because=step["because"]),
            at=now,
            by=by,
        )
    for flush in done.flushes:
        if flush.missing:
            told = message("Flushed, still owed: {missing}.", missing=flush.missing)
            states.note(order, message("flushed, still owed"), told, at=now, by=by)
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


def _leave_open(done: Reported, by: Person | None, now: datetime) -> None:
    row = done.row
    word = label_of(NotDoneBecause, row.not_done_because) if row.not_done_because else ""
    why = joined(": ", [text for text in (word, row.note) if text])
    states.release([done.order.pk], message("Could not be done: {note}", note=why), at=now, by=by)
    states.note(done.order, message("could not be done"), why, at=now, by=by)
    field_reports.take_not_done(row, done.form.offer)


def _look_again(unit_ids: list[int], now: datetime) -> None:
    """Assess the treatment units and raise their work. A failure here must not cost what was closed."""
    try:
        with transaction.atomic():
            runs.assess_units(unit_ids, now)
            raising.raise_work(now=now, unit_ids=unit_ids)
    except Exception:
        log.exception("Assessment after a visit failed; the timetable will catch up.")
