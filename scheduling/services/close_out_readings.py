"""The readings of a close-out: meter and gauges, through the fleet's own door."""

from datetime import datetime

from django.db.models import QuerySet

from fleet.models import Meter, MeterReading, MeterWater, PerformanceReading, ReadingSource
from fleet.services import readings
from scheduling.models import CloseOut, WorkOrder
from scheduling.services.close_out_form import CloseOutForm
from shared.errors import CannotDo


def record_meter(form: CloseOutForm, order: WorkOrder, now: datetime) -> None:
    """Record the register. Raises CannotDo when there is no meter, or the total can't be."""
    if form.meter_total is None:
        return
    meters = Meter.objects.filter(treatment_unit_id=order.treatment_unit_id, removed_at__isnull=True)
    meter = meters.filter(water=MeterWater.PERMEATE).first() or meters.order_by("pk").first()
    if meter is None:
        raise CannotDo(
            f"{order.treatment_unit.serial} has no meter.",
            remedy="Leave the total out and write it in the note; the planner can add the meter.",
            field="meter_total",
        )
    _stand_again(MeterReading.objects.filter(meter=meter, read_at=form.finished_at))
    report = readings.record_meter_readings(
        [readings.NewMeterReading(meter_id=meter.pk, read_at=form.finished_at, total=form.meter_total)],
        source=ReadingSource.PHONE,
        now=now,
        as_correction=True,
    )
    _raise_first(report, "meter_total")


def record_gauges(form: CloseOutForm, order: WorkOrder, now: datetime) -> int | None:
    """Record gauges and flows; return the reading's id, None when nothing was read."""
    values = {
        name: float(value)
        for name, value in form.performance.items()
        if name != "saw_fines" and value not in (None, "")
    }
    saw_fines = bool(form.performance.get("saw_fines"))
    if not values and not saw_fines:
        return None
    _stand_again(
        PerformanceReading.objects.filter(treatment_unit_id=order.treatment_unit_id, read_at=form.finished_at)
    )
    report = readings.record_performance_readings(
        [readings.NewPerformanceReading(order.treatment_unit_id, form.finished_at, values, saw_fines)],
        source=ReadingSource.PHONE,
        now=now,
        as_correction=True,
    )
    _raise_first(report, "performance")
    return (
        PerformanceReading.objects.filter(
            treatment_unit_id=order.treatment_unit_id, read_at=form.finished_at, is_latest=True
        )
        .values_list("pk", flat=True)
        .first()
    )


def set_aside(row: CloseOut) -> None:
    """Let the readings of an undone close-out no longer count; their rows stay."""
    if row.performance_reading_id:
        PerformanceReading.objects.filter(pk=row.performance_reading_id).update(is_latest=False)
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


def _raise_first(report: readings.RecordReport, field: str) -> None:
    if report.problems:
        first = report.problems[0]
        raise CannotDo(f"{first.field} = {first.value}: {first.message}", remedy=first.remedy, field=field)
