"""Records gauges and flows, in bulk."""

from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta

from django.db import transaction

from fleet.models import PerformanceReading, ReadingSource, TreatmentUnit
from fleet.readings.rows import (
    ANOTHER_VALUE,
    AS_CORRECTION,
    GAUGES,
    Batch,
    NewPerformanceReading,
    RecordReport,
    chunks,
    same,
    store,
)
from shared.messages import message

_SLACK = timedelta(days=1)
"""Days begin elsewhere at another moment."""


@transaction.atomic
def record_performance_readings(
    readings: Sequence[NewPerformanceReading],
    *,
    source: ReadingSource,
    now: datetime,
    as_correction: bool = False,
    accept_good_rows: bool = False,
    sheet: str = "performance_readings",
) -> RecordReport:
    """Record gauges and flows. Same rules and arguments as ``record_meter_readings``."""
    batch = Batch(sheet, now)
    unit_ids = {reading.treatment_unit_id for reading in readings}
    known_units = _locked_units(unit_ids)
    for i, reading in enumerate(readings):
        batch.check_moment(i, reading.row, "read_at", reading.read_at)
        batch.check_values(i, reading.row, reading.values, GAUGES)
        if reading.treatment_unit_id not in known_units:
            batch.refuse(
                i,
                reading.row,
                "treatment_unit",
                reading.treatment_unit_id,
                message("There is no such treatment unit."),
                message("Check its serial."),
            )
        elif (begins := known_units[reading.treatment_unit_id]) and reading.read_at.date() < begins - _SLACK:
            batch.refuse(
                i,
                reading.row,
                "read_at",
                reading.read_at.isoformat(),
                message("The unit's first day of service is {begins:%Y-%m-%d}.", begins=begins),
                message("Correct the date, or the unit's first day of service."),
            )
        elif not reading.values and not reading.saw_fines:
            batch.refuse(i, reading.row, "feed_pressure_psi", "", message("Nothing was read."),
                         message("Fill in at least one gauge, or leave the row out."))  # fmt: skip
    standing = _standing_gauges(readings, batch)
    report = RecordReport(problems=batch.problems)
    fresh: dict[tuple[int, datetime], int] = {}
    for i, reading in enumerate(readings):
        if i in batch.refused:
            continue
        key = (reading.treatment_unit_id, reading.read_at)
        known, twin = standing.get(key), fresh.get(key)
        if twin is not None:
            if _same_gauges(readings[twin], reading):
                report.duplicates += 1
            else:
                batch.refuse(
                    i,
                    reading.row,
                    "read_at",
                    reading.read_at.isoformat(),
                    message("Row {row} has other values for the same moment.", row=readings[twin].row),
                    message("Keep the right one of the two."),
                )
        elif known is None or (as_correction and not _stands_as(known, reading)):
            fresh[key] = i
        elif _stands_as(known, reading):
            report.duplicates += 1
        else:
            batch.refuse(i, reading.row, "read_at", reading.read_at.isoformat(), f"{ANOTHER_VALUE}.",
                         AS_CORRECTION)  # fmt: skip
    if batch.problems and not accept_good_rows:
        return report
    rows, replaced = [], []
    for i in fresh.values():
        reading = readings[i]
        known = standing.get((reading.treatment_unit_id, reading.read_at))
        if known is not None:
            replaced.append(known.pk)
        rows.append(
            PerformanceReading(
                treatment_unit_id=reading.treatment_unit_id, read_at=reading.read_at, **reading.values,
                saw_fines=reading.saw_fines, revision=0 if known is None else known.revision + 1,
                source=source, recorded_at=now,
            )
        )  # fmt: skip
    store(PerformanceReading, rows, replaced, report)
    return report


def _locked_units(unit_ids: Iterable[int]) -> dict[int, date | None]:
    """Lock treatment units; return the first day of service of each."""
    found: dict[int, date | None] = {}
    for part in chunks(unit_ids):
        query = TreatmentUnit.objects.select_for_update().filter(pk__in=part).order_by("pk")
        found.update(query.values_list("pk", "commissioned_on"))
    return found


def _standing_gauges(
    readings: Sequence[NewPerformanceReading], batch: Batch
) -> dict[tuple[int, datetime], PerformanceReading]:
    good = [reading for i, reading in enumerate(readings) if i not in batch.refused]
    found = {}
    for part in chunks({reading.treatment_unit_id for reading in good}):
        inside = set(part)
        moments = [reading.read_at for reading in good if reading.treatment_unit_id in inside]
        query = PerformanceReading.objects.filter(treatment_unit_id__in=part, is_latest=True)
        for standing in query.filter(read_at__range=(min(moments), max(moments))):
            found[standing.treatment_unit_id, standing.read_at] = standing
    return found


def _same_gauges(one: NewPerformanceReading, other: NewPerformanceReading) -> bool:
    names = one.values.keys() | other.values.keys()
    return one.saw_fines == other.saw_fines and all(
        same(one.values.get(name), other.values.get(name)) for name in names
    )


def _stands_as(known: PerformanceReading, reading: NewPerformanceReading) -> bool:
    return known.saw_fines == reading.saw_fines and all(
        same(getattr(known, name), value) for name, value in reading.values.items()
    )
