"""Records what registers showed, in bulk."""

import math
from collections.abc import Sequence
from datetime import datetime

from django.db import transaction

from fleet.models import ReadingSource
from fleet.services.meter_columns import columns_of
from fleet.services.meter_facts import MeterBook
from fleet.services.meter_rows import Key, Standing, standing_around, standing_at, write_meter_rows
from fleet.services.reading_rows import Batch, NewMeterReading, RecordReport
from fleet.services.reading_store import ANOTHER_VALUE, AS_CORRECTION, same
from fleet.services.register_order import Mark, MeterFacts, refuse_falls
from shared.measures import gal_per


@transaction.atomic
def record_meter_readings(
    readings: Sequence[NewMeterReading],
    *,
    source: ReadingSource,
    now: datetime,
    as_correction: bool = False,
    refuse_backwards: bool = False,
    accept_good_rows: bool = False,
    sheet: str = "meter_readings",
    book: MeterBook | None = None,
) -> RecordReport:
    """
    Record register totals.

    Parameters
    ----------
    readings : sequence of NewMeterReading
        In any order.
    source : ReadingSource
        How they came in.
    now : datetime
        The clock, aware. Readings more than ten minutes ahead of it are refused.
    as_correction : bool
        Another value for a known moment becomes a higher revision instead of a problem.
    refuse_backwards : bool
        Refuse a register that falls without rollover. Files do; what comes from the field is kept as data
        and judged by assessment.
    accept_good_rows : bool
        Write the good ones even if others are refused; by default nothing is written then.
    book : MeterBook, optional
        What a longer call remembers of meters from batch to batch.

    Returns
    -------
    RecordReport
        Counts and problems; a problem names the reading's ``row``.
    """
    batch = Batch(sheet, now)
    meters = (book or MeterBook()).lock(reading.meter_id for reading in readings)
    if not readings:
        return RecordReport()
    columns, doubtful = columns_of(readings, meters, now)
    for i in doubtful:
        _refuse_what_can_not_be(batch, meters, i, readings[i])
    gallons = columns.total_gal.tolist()
    keys = [(reading.meter_id, reading.read_at) for reading in readings]
    good = (key for i, key in enumerate(keys) if i not in batch.refused)
    standing = standing_around(good) if refuse_backwards else standing_at(good)
    report = RecordReport(problems=batch.problems)
    fresh = _choose(batch, readings, keys, gallons, meters, standing, as_correction, report)
    if refuse_backwards:
        _refuse_backwards(batch, readings, gallons, meters, standing, fresh)
    if batch.problems and not accept_good_rows:
        return report
    kept = [i for i in fresh.values() if i not in batch.refused]
    known = {i: standing[keys[i]] for i in kept if keys[i] in standing} if standing else {}
    for i, before in known.items():
        columns.revision[i] = before.revision + 1
    rows = columns.rows(kept)
    write_meter_rows(rows, [before.pk for before in known.values()], source=source, now=now)
    report.corrected = len(known)
    report.recorded = len(kept) - len(known)
    report.unit_ids = set(rows.treatment_unit_id.tolist())
    return report


def _choose(
    batch: Batch,
    readings: Sequence[NewMeterReading],
    keys: list[Key],
    gallons: list[float],
    meters: dict[int, MeterFacts],
    standing: dict[Key, Standing],
    as_correction: bool,
    report: RecordReport,
) -> dict[Key, int]:
    """Return what is new, by meter and moment; count what is known already, refuse what contradicts it."""
    fresh: dict[Key, int] = {}
    for i, (reading, key) in enumerate(zip(readings, keys, strict=True)):
        if i in batch.refused:
            continue
        known, twin = standing.get(key), fresh.get(key)
        if twin is not None and not same(gallons[twin], gallons[i]):
            batch.refuse(i, reading.row, "total", reading.total,
                         f"Row {readings[twin].row} has another value for the same meter and moment.",
                         "Keep the right one of the two.")  # fmt: skip
        elif twin is not None or (known is not None and same(known.total_gal, gallons[i])):
            report.duplicates += 1
        elif known is None or as_correction:
            fresh[key] = i
        else:
            batch.refuse(i, reading.row, "total", reading.total,
                         f"{ANOTHER_VALUE}: {known.total:,.10g} {meters[key[0]].measure}.",
                         AS_CORRECTION)  # fmt: skip
    return fresh


def _refuse_what_can_not_be(
    batch: Batch, meters: dict[int, MeterFacts], i: int, reading: NewMeterReading
) -> None:
    """Refuse a reading of no meter, at no believable moment, or of what its register can't show."""
    meter = meters.get(reading.meter_id)
    if meter is None:
        batch.refuse(
            i, reading.row, "meter", reading.meter_id, "There is no such meter.", "Add the meter first."
        )
        return
    batch.check_moment(i, reading.row, "read_at", reading.read_at)
    if not math.isfinite(reading.total):
        batch.refuse(i, reading.row, "total", reading.total, "This is no number that can be counted with.",
                     "Write what the register shows.")  # fmt: skip
        return
    if reading.total < 0:
        batch.refuse(i, reading.row, "total", reading.total, "total can't be negative.",
                     "Write what the register shows.")  # fmt: skip
    per_count = meter.gal_per_count if reading.measure is None else gal_per(reading.measure)
    if reading.total * per_count >= meter.end_gal:
        batch.refuse(
            i, reading.row, "total", reading.total,
            f"The register of {meter.unit_serial} can't show that much: it ends below "
            f"{meter.rollover:,.0f} {meter.measure}.",
            "Check the value and its measure, or the meter's digits.",
        )  # fmt: skip


def _refuse_backwards(
    batch: Batch,
    readings: Sequence[NewMeterReading],
    gallons: list[float],
    meters: dict[int, MeterFacts],
    standing: dict[Key, Standing],
    fresh: dict[Key, int],
) -> None:
    lines: dict[int, list[Mark]] = {}
    for (meter_id, at), i in fresh.items():
        reading = readings[i]
        lines.setdefault(meter_id, []).append(Mark(at, gallons[i], i, reading.row, reading.is_accepted))
    for (meter_id, at), known in standing.items():
        if meter_id in lines and (meter_id, at) not in fresh:
            lines[meter_id].append(Mark(at, known.total_gal, -1))
    for meter_id, marks in lines.items():
        refuse_falls(batch, meters[meter_id], marks)
