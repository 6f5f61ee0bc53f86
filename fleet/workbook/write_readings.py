"""Meter readings and performance readings through fleet's recording services."""

from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from typing import TypeVar

from fleet.models import Meter, MeterWater, ReadingSource
from fleet.services.readings import (
    NewMeterReading,
    NewPerformanceReading,
    record_meter_readings,
    record_performance_readings,
)
from fleet.workbook.parse import ParsedSheet, Row
from fleet.workbook.run import ImportRun, chunks
from fleet.workbook.sheets_equipment import GAUGE_ATTRIBUTES
from fleet.workbook.values import table_values

Reading = TypeVar("Reading")
READINGS_AT_ONCE = 5000
"""About so many readings are recorded between two words of how far it is."""
_SLACK = timedelta(days=1)
"""A day without a clock time is midnight; the meter may have come later that day."""


def write_meter_readings(run: ImportRun, parsed: ParsedSheet) -> None:
    """Record register totals; a register that runs backwards is refused unless its row says accept."""
    units = run.known.get("treatment_units", {})
    wanted = {row.get("treatment_unit") for row in parsed.good_rows}
    meters = _meters(sorted(units[serial].pk for serial in wanted if serial in units))
    rows: dict[int, Row] = {}
    readings = []
    for row in parsed.good_rows:
        unit = run.find(row, "treatment_unit", "treatment_units")
        if unit is None:
            continue
        read_at = run.past_moment(row, "read_at", unit.site.time_zone)
        if row.is_refused:
            continue
        water = row.get("water", MeterWater.PERMEATE.value)
        meter = _meter_read(run, row, meters.get((unit.pk, water), []), water, read_at)
        if meter is None:
            continue
        total, measure = row.values["total"]
        rows[row.number] = row
        readings.append(
            NewMeterReading(meter.pk, read_at, total, measure, row.number, bool(row.get("accept", False)))
        )
    run.advance(len(parsed.rows) - len(readings))
    for part in _in_batches(readings, lambda reading: reading.meter_id):
        report = record_meter_readings(
            part, source=ReadingSource.FILE, now=run.now, refuse_backwards=True, accept_good_rows=True,
            sheet=parsed.sheet.name,
        )  # fmt: skip
        run.take_report(rows, parsed, report)
        run.advance(len(part))


def _in_batches(readings: list[Reading], whose: Callable[[Reading], int]) -> Iterator[list[Reading]]:
    """Cut into batches that hold all of one owner's, so that each is judged beside its neighbours."""
    by_owner: dict[int, list[Reading]] = {}
    for reading in readings:
        by_owner.setdefault(whose(reading), []).append(reading)
    batch: list[Reading] = []
    for group in by_owner.values():
        batch += group
        if len(batch) >= READINGS_AT_ONCE:
            yield batch
            batch = []
    if batch:
        yield batch


def _meters(unit_ids: list[int]) -> dict[tuple[int, str], list[Meter]]:
    found: dict[tuple[int, str], list[Meter]] = {}
    for ids in chunks(unit_ids):
        for meter in Meter.objects.filter(treatment_unit_id__in=ids).order_by("-installed_at"):
            found.setdefault((meter.treatment_unit_id, meter.water), []).append(meter)
    return found


def _meter_read(run: ImportRun, row: Row, meters: list[Meter], water: str, read_at: datetime) -> Meter | None:
    """Return the meter that was read: the named one, else the one in place then."""
    serial = row.get("meter")
    named = [meter for meter in meters if serial is None or meter.serial == serial]
    exact = [meter for meter in named if _in_place(meter, read_at, timedelta(0))]
    near = exact or [meter for meter in named if _in_place(meter, read_at, _SLACK)]
    if near:
        return near[0]
    refused = run.refused_places.get(("meters", str(row.get("treatment_unit")), water))
    if refused is not None:
        message, remedy = (
            f"Depends on meters row {refused.number}, which was refused.",
            "Correct that row first.",
        )
    elif not named:
        message = f"The treatment unit has no {water} meter {serial or ''}".rstrip() + "."
        remedy = "Correct the serial, or add the meter to the sheet meters."
    else:
        meter = named[0]
        until = f" to {meter.removed_at:%Y-%m-%d}" if meter.removed_at else ""
        message = f"That meter was not in place then, only from {meter.installed_at:%Y-%m-%d}{until}."
        remedy = "Correct the date, or name the meter that was in place."
    run.refuse(row, "meter" if serial else "read_at", message, remedy)
    return None


def _in_place(meter: Meter, at: datetime, slack: timedelta) -> bool:
    return meter.installed_at - slack <= at and (meter.removed_at is None or at <= meter.removed_at + slack)


def write_performance_readings(run: ImportRun, parsed: ParsedSheet) -> None:
    """Record gauges and flows."""
    rows: dict[int, Row] = {}
    readings = []
    for row in parsed.good_rows:
        unit = run.find(row, "treatment_unit", "treatment_units")
        if unit is None:
            continue
        read_at = run.past_moment(row, "read_at", unit.site.time_zone)
        if row.is_refused:
            continue
        rows[row.number] = row
        values = table_values(parsed, row, only=GAUGE_ATTRIBUTES)
        readings.append(
            NewPerformanceReading(unit.pk, read_at, values, bool(row.get("saw_fines", False)), row.number)
        )
    for part in _in_batches(readings, lambda reading: reading.treatment_unit_id):
        report = record_performance_readings(
            part, source=ReadingSource.FILE, now=run.now, accept_good_rows=True, sheet=parsed.sheet.name
        )
        run.take_report(rows, parsed, report)
        run.advance(len(part))
