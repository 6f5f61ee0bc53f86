"""Meter readings in and out of their table by the thousand: columns, COPY on PostgreSQL, else the ORM.

Records what registers showed, in bulk.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import fields
from datetime import UTC, datetime, timedelta
from typing import Final, NamedTuple

import numpy as np
from django.db import connection, transaction
from django.db.models import OuterRef, Q, Subquery

from fleet.database.bulk_write import copy_columns, microseconds, moments
from fleet.models import Meter, MeterReading, ReadingSource
from fleet.readings.doubt import doubts
from fleet.readings.meters import Mark, MeterBook, MeterColumns, MeterFacts, columns_of, refuse_falls
from fleet.readings.rows import (
    ANOTHER_VALUE,
    AS_CORRECTION,
    BATCH,
    Batch,
    NewMeterReading,
    OnDoubt,
    RecordReport,
    arrays,
    same,
)
from shared.measures import gal_per
from shared.messages import joined, message

WORTH_COPYING: Final = 200
"""Below this many rows COPY costs more than it saves."""
Key = tuple[int, datetime]
"""A meter's id and the moment it was read."""
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_COLUMNS = ("meter_id", "read_at", "pk", "total", "total_gal", "revision")


class Standing(NamedTuple):
    """The latest total of one meter and moment."""

    pk: int
    total: float
    total_gal: float
    revision: int


def standing_at(keys: Iterable[Key]) -> dict[Key, Standing]:
    """Return what stands at exactly these meters and moments."""
    listed = list(keys)
    if not listed:
        return {}
    if connection.vendor != "postgresql":
        return _standing_from(_firsts(listed))
    meter_ids, read_at = zip(*listed, strict=True)
    since_1970_us = microseconds(read_at).tolist()
    with connection.cursor() as cursor:
        # One look-up in the index per pair; the parent table, so that partitions are its own affair.
        cursor.execute(
            "SELECT r.meter_id, r.read_at, r.id, r.total, r.total_gal, r.revision "
            "FROM unnest(%s::bigint[], %s::bigint[]) AS asked (meter_id, us) "
            "JOIN fleet_meterreading r ON r.meter_id = asked.meter_id AND r.is_latest "
            "AND r.read_at = timestamptz 'epoch' + asked.us * interval '1 microsecond'",
            [_array(meter_ids), _array(since_1970_us)],
        )
        return {(row[0], row[1]): Standing(*row[2:]) for row in cursor.fetchall()}


def standing_around(keys: Iterable[Key]) -> dict[Key, Standing]:
    """Return the latest totals of the meters from the first moment on, and the one before it."""
    firsts = _firsts(keys)
    found = _standing_from(firsts)
    for part in arrays(firsts):
        first = min(firsts[meter_id] for meter_id in part)
        before = MeterReading.objects.filter(meter=OuterRef("pk"), is_latest=True, read_at__lt=first)
        last = Meter.objects.filter(pk__any_of=part).values_list(
            Subquery(before.order_by("-read_at").values("pk")[:1]), flat=True
        )
        found |= _standing(Q(pk__any_of=[pk for pk in last if pk is not None]))
    return found


def write_meter_rows(
    rows: MeterColumns, replaced: Sequence[int], *, source: ReadingSource, now: datetime
) -> None:
    """Add rows; those they replace, by id, are no longer the latest."""
    for part in arrays(replaced):
        MeterReading.objects.filter(pk__any_of=part).update(is_latest=False)
    if connection.vendor == "postgresql" and len(rows.meter_id) >= WORTH_COPYING:
        _copy(rows, source, now)
        return
    named = {column.name: getattr(rows, column.name).tolist() for column in fields(rows)}
    named["read_at"] = [_EPOCH + timedelta(microseconds=us) for us in named.pop("read_at_us")]
    MeterReading.objects.bulk_create(
        (
            MeterReading(**dict(zip(named, values, strict=True)), source=source, recorded_at=now)
            for values in zip(*named.values(), strict=True)
        ),
        batch_size=BATCH,
    )


def _copy(rows: MeterColumns, source: ReadingSource, now: datetime) -> None:
    """Write in the order of the table's keys, so that its indexes are walked once."""
    recorded_at = moments(microseconds([now]))
    order = np.lexsort((rows.read_at_us, rows.meter_id))
    groups = []
    for water in np.unique(rows.water).tolist():
        of_it = rows.rows(order[rows.water[order] == water])
        groups.append(
            {
                "treatment_unit_id": of_it.treatment_unit_id,
                "meter_id": of_it.meter_id,
                "water": water.encode(),
                "read_at": moments(of_it.read_at_us),
                "total": of_it.total,
                "total_gal": of_it.total_gal,
                "rollover_gal": of_it.rollover_gal,
                "revision": of_it.revision,
                "is_latest": np.True_,
                "source": source.value.encode(),
                "recorded_at": recorded_at,
            }
        )
    copy_columns("fleet_meterreading", groups)


def _array(numbers: Iterable[int]) -> str:
    """Return an array of whole numbers as PostgreSQL writes it."""
    return f"{{{','.join(map(str, numbers))}}}"


def _firsts(keys: Iterable[Key]) -> dict[int, datetime]:
    firsts: dict[int, datetime] = {}
    for meter_id, at in keys:
        if at < firsts.setdefault(meter_id, at):
            firsts[meter_id] = at
    return firsts


def _standing_from(firsts: dict[int, datetime]) -> dict[Key, Standing]:
    found = {}
    for part in arrays(firsts):
        first = min(firsts[meter_id] for meter_id in part)
        found |= _standing(Q(meter__pk__any_of=part, read_at__gte=first))
    return found


def _standing(which: Q) -> dict[Key, Standing]:
    rows = MeterReading.objects.filter(which, is_latest=True).values_list(*_COLUMNS)
    return {(row[0], row[1]): Standing(*row[2:]) for row in rows.iterator()}


@transaction.atomic
def record_meter_readings(
    readings: Sequence[NewMeterReading],
    *,
    source: ReadingSource,
    now: datetime,
    as_correction: bool = False,
    refuse_backwards: bool = False,
    accept_good_rows: bool = False,
    on_doubt: OnDoubt = OnDoubt.PASS,
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
    on_doubt : OnDoubt
        What becomes of a total that falls or leaps.
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
    is_weighed = refuse_backwards or on_doubt is not OnDoubt.PASS
    standing = standing_around(good) if is_weighed else standing_at(good)
    report = RecordReport(problems=batch.problems)
    fresh = _choose(batch, readings, keys, gallons, meters, standing, as_correction, report)
    lines = _lines(readings, gallons, standing, fresh) if is_weighed else {}
    if refuse_backwards:
        for meter_id, marks in lines.items():
            refuse_falls(batch, meters[meter_id], marks)
    told = _weigh(batch, readings, meters, lines, on_doubt, report)
    if batch.problems and not accept_good_rows:
        return report
    kept = [i for i in fresh.values() if i not in batch.refused]
    known = {i: standing[keys[i]] for i in kept if keys[i] in standing} if standing else {}
    for i, before in known.items():
        columns.revision[i] = before.revision + 1
    rows = columns.rows(kept)
    write_meter_rows(rows, [before.pk for before in known.values()], source=source, now=now)
    for i in told.keys() & set(kept):
        meter_id, at = keys[i]
        MeterReading.objects.filter(meter_id=meter_id, read_at=at, is_latest=True).update(doubt=told[i])
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
            batch.refuse(
                i,
                reading.row,
                "total",
                reading.total,
                message("Row {row} has another value for the same meter and moment.", row=readings[twin].row),
                message("Keep the right one of the two."),
            )
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
            i,
            reading.row,
            "meter",
            reading.meter_id,
            message("There is no such meter."),
            message("Add the meter first."),
        )
        return
    batch.check_moment(i, reading.row, "read_at", reading.read_at)
    if not math.isfinite(reading.total):
        batch.refuse(
            i,
            reading.row,
            "total",
            reading.total,
            message("This is no number that can be counted with."),
            message("Write what the register shows."),
        )
        return
    if reading.total < 0:
        batch.refuse(i, reading.row, "total", reading.total, message("total can't be negative."),
                     message("Write what the register shows."))  # fmt: skip
    per_count = meter.gal_per_count if reading.measure is None else gal_per(reading.measure)
    if reading.total * per_count >= meter.end_gal:
        batch.refuse(
            i,
            reading.row,
            "total",
            reading.total,
            message(
                "The register of {unit_serial} can't show that much: it ends below "
                "{rollover:,.0f} {measure}.",
                unit_serial=meter.unit_serial,
                rollover=meter.rollover,
                measure=meter.measure,
            ),
            message("Check the value and its measure, or the meter's digits."),
        )


def _lines(
    readings: Sequence[NewMeterReading],
    gallons: list[float],
    standing: dict[Key, Standing],
    fresh: dict[Key, int],
) -> dict[int, list[Mark]]:
    """Return the totals on each meter's line, standing ones and new ones."""
    lines: dict[int, list[Mark]] = {}
    for (meter_id, at), i in fresh.items():
        reading = readings[i]
        is_accepted = reading.is_accepted or bool(reading.kept_because)
        lines.setdefault(meter_id, []).append(Mark(at, gallons[i], i, reading.row, is_accepted))
    for (meter_id, at), known in standing.items():
        if meter_id in lines and (meter_id, at) not in fresh:
            lines[meter_id].append(Mark(at, known.total_gal, -1))
    return lines


def _weigh(
    batch: Batch,
    readings: Sequence[NewMeterReading],
    meters: dict[int, MeterFacts],
    lines: dict[int, list[Mark]],
    on_doubt: OnDoubt,
    report: RecordReport,
) -> dict[int, str]:
    """Ask about what is in doubt; return what is to stand beside what is kept all the same, by place."""
    told: dict[int, str] = {}
    for i, odd in doubts(meters, lines).items() if on_doubt is not OnDoubt.PASS else ():
        if i in batch.refused:
            continue
        because = readings[i].kept_because
        if because or on_doubt is OnDoubt.WARN:
            told[i] = joined(" ", (odd.what, message("Kept: {because}", because=because) if because else ""))
        else:
            batch.refuse(i, readings[i].row, "total", readings[i].total, odd.what, odd.remedy)
            report.asks.add(readings[i].row)
    return told
