"""Writes what was read at a visit, and lets it no longer count when that is undone."""

from datetime import datetime, timedelta

from django.db.models import QuerySet

from fleet.corrections.selectors import standing_id
from fleet.models import Corrected, MeterReading, PerformanceReading, ReadingSource
from fleet.readings import gauges, meter_readings
from fleet.readings import rows as readings_rows
from fleet.readings.feed_tests import record_feed_tests
from fleet.readings.meter_in_place import meters_to_read
from scheduling.models import CloseOut, WorkOrder
from scheduling.visits.checks import CloseOutForm, VisitForm
from shared.errors import DomainError
from shared.messages import message

TEST_SOURCE = message("technician's visit")


def record_meter(form: CloseOutForm, order: WorkOrder, now: datetime) -> None:
    """Record the register. Raises DomainError when there is no meter, or the total can't be."""
    if form.meter_total is None:
        return
    meter = meters_to_read(order.treatment_unit_id, form.finished_at).first()
    if meter is None:
        raise DomainError(
            message("{serial} has no meter.", serial=order.treatment_unit.serial),
            remedy=message("Leave the total out and write it in the note; the planner can add the meter."),
            field="meter_total",
        )
    _stand_again(MeterReading.objects.filter(meter=meter, read_at=form.finished_at))
    report = meter_readings.record_meter_readings(
        [readings_rows.NewMeterReading(meter_id=meter.pk, read_at=form.finished_at, total=form.meter_total)],
        source=ReadingSource.PHONE,
        now=now,
        as_correction=True,
        on_doubt=readings_rows.OnDoubt.WARN,
    )
    _raise_first(report, "meter_total")


def record_gauges(form: CloseOutForm, order: WorkOrder, now: datetime) -> tuple[int | None, int | None]:
    """Record gauges and flows; return the ids of the readings as found and as left, None without one.

    As found is before the work by its minutes, and before any part came out.
    """
    found = None
    if form.as_found:
        flushing = sum(one.minutes for one in form.flushes)
        begun = form.finished_at - timedelta(minutes=max(form.minutes, flushing + 2))
        found = _record_gauges(form.as_found, order.treatment_unit_id, begun, now)
    return found, _record_gauges(form.performance, order.treatment_unit_id, form.finished_at, now)


def _record_gauges(read: dict, unit_id: int, at: datetime, now: datetime) -> int | None:
    values = {
        name: float(value) for name, value in read.items() if name != "saw_fines" and value not in (None, "")
    }
    saw_fines = bool(read.get("saw_fines"))
    if not values and not saw_fines:
        return None
    found = PerformanceReading.objects.filter(treatment_unit_id=unit_id, read_at=at)
    _stand_again(found)
    report = gauges.record_performance_readings(
        [readings_rows.NewPerformanceReading(unit_id, at, values, saw_fines)],
        source=ReadingSource.PHONE,
        now=now,
        as_correction=True,
    )
    _raise_first(report, "performance")
    return found.filter(is_latest=True).values_list("pk", flat=True).first()


def set_aside(row: CloseOut) -> None:
    """Let the readings of an undone close-out no longer count; their rows stay.

    What another order of the same unit was reported with at the same visit was read for that one, too.
    """
    beside = CloseOut.objects.filter(
        visit_id=row.visit_id, order__treatment_unit_id=row.order.treatment_unit_id, undone_at__isnull=True
    )
    if row.visit_id and beside.exclude(pk=row.pk).exists():
        return
    for reading_id in filter(None, (row.as_found_reading_id, row.performance_reading_id)):
        standing = standing_id(Corrected.GAUGES, reading_id)
        PerformanceReading.objects.filter(pk=standing).update(is_latest=False)
    MeterReading.objects.filter(
        treatment_unit_id=row.order.treatment_unit_id,
        read_at=row.finished_at,
        source=ReadingSource.PHONE,
    ).update(is_latest=False)


def _stand_again(rows: QuerySet) -> None:
    """Let a reading set aside by an undo count again, so that what is sent now repeats or corrects it."""
    newest = rows.order_by("-revision").first()
    if newest is not None and not newest.is_latest and not rows.filter(is_latest=True).exists():
        rows.filter(pk=newest.pk).update(is_latest=True)


def record_test(form: VisitForm, site_id: int, now: datetime) -> None:
    """Write the feed test first, so that the assessment that follows the visit knows it."""
    if form.feed_test:
        row = readings_rows.NewFeedTest(
            site_id, None, form.results[0].finished_at, form.feed_test, TEST_SOURCE
        )
        _raise_first(record_feed_tests([row], now=now), "test__{}")


def _raise_first(report: readings_rows.RecordReport, field: str) -> None:
    """Raise the first problem; ``{}`` in ``field`` stands for the field it is about."""
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
            field=field.format(first.field),
        )
