"""Sheets that fleet's recording services write: feed tests, meter readings, performance readings."""

from collections.abc import Callable, Hashable
from datetime import timedelta
from functools import partial
from typing import Any

from fleet.models import Meter, MeterWater, ReadingSource
from fleet.readings.feed_tests import record_feed_tests
from fleet.readings.gauges import record_performance_readings
from fleet.readings.meter_in_place import meter_in_place
from fleet.readings.meter_readings import record_meter_readings
from fleet.readings.rows import (
    GAUGES,
    TESTED,
    NewFeedTest,
    NewMeterReading,
    NewPerformanceReading,
    RecordReport,
)
from fleet.workbook.import_run import ImportRun, chunks
from fleet.workbook.parse import ParsedSheet
from fleet.workbook.saving import Candidate, candidates_of
from shared.messages import message

READINGS_AT_ONCE = 5000
"""About so many readings are recorded between two words of how far it is."""
_SLACK = timedelta(days=1)
"""A day without a clock time is midnight; the meter may have come later that day."""


def write_feed_tests(run: ImportRun, parsed: ParsedSheet) -> None:
    """Record feed tests."""
    tests = []
    for candidate in _good(run, parsed):
        site, supply = candidate.given.get("site"), candidate.given.get("supply")
        test = NewFeedTest(
            site_id=site.pk if site else None,
            supply_id=supply.pk if supply else None,
            sampled_at=candidate.values["sampled_at"],
            values={name: candidate.values[name] for name in TESTED if name in candidate.values},
            source=str(candidate.values.get("source", ReadingSource.FILE.label))[:40],
            row=candidate.row.number,
        )
        tests.append(test)
    _record(run, parsed, tests, lambda test: (test.site_id, test.supply_id), record_feed_tests)


def write_meter_readings(run: ImportRun, parsed: ParsedSheet) -> None:
    """Record register totals; a register that runs backwards is refused unless its row says accept."""
    candidates = _good(run, parsed)
    meters: dict[tuple[int, str], list[Meter]] = {}
    for ids in chunks(sorted({candidate.given["treatment_unit"].pk for candidate in candidates})):
        for meter in Meter.objects.filter(treatment_unit_id__in=ids).order_by("-installed_at"):
            meters.setdefault((meter.treatment_unit_id, meter.water), []).append(meter)
    readings = []
    for candidate in candidates:
        row, at = candidate.row, candidate.values["read_at"]
        water = row.get("water", MeterWater.PERMEATE.value)
        meter = _meter_read(
            run, candidate, meters.get((candidate.given["treatment_unit"].pk, water), []), water
        )
        if meter is not None:
            total, measure = row.values["total"]
            is_accepted = bool(row.get("accept", False))
            readings.append(NewMeterReading(meter.pk, at, total, measure, row.number, is_accepted))
    run.advance(len(parsed.rows) - len(readings))
    service = partial(record_meter_readings, source=ReadingSource.FILE, refuse_backwards=True)
    _record(run, parsed, readings, lambda reading: reading.meter_id, service)


def _meter_read(run: ImportRun, candidate: Candidate, meters: list[Meter], water: str) -> Meter | None:
    """Return the meter that was read: the named one, else the one in place then."""
    serial = candidate.row.get("meter")
    named = [meter for meter in meters if serial is None or meter.serial == serial]
    meter = meter_in_place(named, candidate.values["read_at"], _SLACK)
    if meter is not None:
        return meter
    if problem := run.depends_on("meters", candidate.given["treatment_unit"].serial, water):
        text, remedy = problem
    elif not named:
        text = (
            message("The treatment unit has no {water} meter {serial}.", water=water, serial=serial)
            if serial
            else message("The treatment unit has no {water} meter.", water=water)
        )
        remedy = message("Correct the serial, or add the meter to the sheet meters.")
    else:
        removed_at = named[0].removed_at
        text = message(
            "That meter was not in place then, only from {installed_at:%Y-%m-%d}{until}.",
            installed_at=named[0].installed_at,
            until=message(" to {removed_at:%Y-%m-%d}", removed_at=removed_at) if removed_at else "",
        )
        remedy = message("Correct the date, or name the meter that was in place.")
    run.refuse(candidate.row, "meter" if serial else "read_at", text, remedy)
    return None


def write_performance_readings(run: ImportRun, parsed: ParsedSheet) -> None:
    """Record gauges and flows."""
    readings = [
        NewPerformanceReading(
            candidate.given["treatment_unit"].pk,
            candidate.values["read_at"],
            {name: candidate.values[name] for name in GAUGES if name in candidate.values},
            bool(candidate.row.get("saw_fines", False)),
            candidate.row.number,
        )
        for candidate in _good(run, parsed)
    ]
    service = partial(record_performance_readings, source=ReadingSource.FILE)
    _record(run, parsed, readings, lambda reading: reading.treatment_unit_id, service)


def _good(run: ImportRun, parsed: ParsedSheet) -> list[Candidate]:
    return [candidate for candidate in candidates_of(run, parsed) if not candidate.row.is_refused]


def _record(
    run: ImportRun,
    parsed: ParsedSheet,
    readings: list[Any],
    whose: Callable[[Any], Hashable],
    service: Callable[..., RecordReport],
) -> None:
    """Record in batches that hold all of one owner's, so that each is judged beside its neighbours."""
    rows = {row.number: row for row in parsed.rows}
    counts = run.counts[parsed.sheet.name]
    by_owner: dict[Hashable, list[Any]] = {}
    for reading in readings:
        by_owner.setdefault(whose(reading), []).append(reading)
    batch: list[Any] = []
    left = len(by_owner)
    for group in by_owner.values():
        batch += group
        left -= 1
        if len(batch) < READINGS_AT_ONCE and left:
            continue
        report = service(batch, now=run.now, accept_good_rows=True, sheet=parsed.sheet.name)
        for problem in report.problems:
            rows[problem.row].is_refused = True
        run.problems += report.problems
        counts.added += report.recorded
        counts.unchanged += report.duplicates
        run.advance(len(batch))
        batch = []
