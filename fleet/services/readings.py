"""Records meter readings, performance readings and feed tests, in bulk.

Nothing is ever overwritten. The same value again is counted as a duplicate; another value for the same moment
is refused, or with ``as_correction`` added as a higher revision. Call inside or outside a transaction.
"""

import math
from collections.abc import Iterable, Sequence
from datetime import datetime

from django.db import transaction
from django.db.models import OuterRef, Q, Subquery

from fleet.models import (
    FeedTest,
    Meter,
    MeterMeasure,
    MeterReading,
    PerformanceReading,
    ReadingSource,
    TreatmentUnit,
)
from fleet.services.reading_rows import (
    Batch,
    NewFeedTest,
    NewMeterReading,
    NewPerformanceReading,
    RecordReport,
)
from fleet.services.register_order import Mark, MeterFacts, most_gal_per_day, refuse_falls
from shared.measures import Measure, gal_per

__all__ = [
    "NewFeedTest",
    "NewMeterReading",
    "NewPerformanceReading",
    "RecordReport",
    "record_feed_tests",
    "record_meter_readings",
    "record_performance_readings",
]

CHUNK = 400
BATCH = 2000
_TOLERANCE = 1e-9
_ANOTHER_VALUE = "Another value is recorded for this moment already"


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

    Returns
    -------
    RecordReport
        Counts and problems; a problem names the reading's ``row``.
    """
    batch = Batch(sheet, now)
    meters = _meters({reading.meter_id for reading in readings})
    gallons = [_gallons(batch, meters, i, reading) for i, reading in enumerate(readings)]
    standing = _standing_totals(readings, batch)
    report = RecordReport(problems=batch.problems)
    fresh: dict[tuple[int, datetime], int] = {}
    for i, reading in enumerate(readings):
        if i in batch.refused:
            continue
        key = (reading.meter_id, reading.read_at)
        known = standing.get(key)
        own = gallons[i] / meters[reading.meter_id].gal_per_count
        twin = fresh.get(key)
        if twin is not None:
            if _same(gallons[twin], gallons[i]):
                report.duplicates += 1
            else:
                batch.refuse(i, reading.row, "total", reading.total,
                             f"Row {readings[twin].row} has another value for the same meter and moment.",
                             "Keep the right one of the two.")  # fmt: skip
        elif known is None:
            fresh[key] = i
        elif _same(known.total, own):
            report.duplicates += 1
        elif as_correction:
            fresh[key] = i
        else:
            batch.refuse(i, reading.row, "total", reading.total, f"{_ANOTHER_VALUE}: {known.total:g}.",
                         "Readings are not overwritten: record it as a correction.")  # fmt: skip
    if refuse_backwards:
        _refuse_backwards(batch, readings, gallons, meters, standing, fresh)
    chosen = [i for i in fresh.values() if i not in batch.refused]
    if batch.problems and not accept_good_rows:
        return report
    rows = []
    replaced = []
    for i in chosen:
        reading, meter = readings[i], meters[readings[i].meter_id]
        known = standing.get((reading.meter_id, reading.read_at))
        if known is not None:
            replaced.append(known.pk)
        rows.append(
            MeterReading(
                treatment_unit_id=meter.unit_id, meter_id=meter.meter_id, water=meter.water,
                read_at=reading.read_at, total=gallons[i] / meter.gal_per_count, total_gal=gallons[i],
                rollover_gal=meter.rollover * meter.gal_per_count,
                revision=0 if known is None else known.revision + 1, source=source, recorded_at=now,
            )
        )  # fmt: skip
    _store(MeterReading, rows, replaced, report)
    return report


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
        batch.check_values(i, reading.row, reading.values)
        if reading.treatment_unit_id not in known_units:
            batch.refuse(i, reading.row, "treatment_unit", reading.treatment_unit_id,
                         "There is no such treatment unit.", "Check its serial.")  # fmt: skip
        elif not reading.values and not reading.saw_fines:
            batch.refuse(i, reading.row, "feed_pressure_psi", "", "Nothing was read.",
                         "Fill in at least one gauge, or leave the row out.")  # fmt: skip
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
                batch.refuse(i, reading.row, "read_at", reading.read_at.isoformat(),
                             f"Row {readings[twin].row} has other values for the same moment.",
                             "Keep the right one of the two.")  # fmt: skip
        elif known is None or (as_correction and not _stands_as(known, reading)):
            fresh[key] = i
        elif _stands_as(known, reading):
            report.duplicates += 1
        else:
            batch.refuse(i, reading.row, "read_at", reading.read_at.isoformat(), f"{_ANOTHER_VALUE}.",
                         "Readings are not overwritten: record it as a correction.")  # fmt: skip
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
    _store(PerformanceReading, rows, replaced, report)
    return report


@transaction.atomic
def record_feed_tests(
    tests: Sequence[NewFeedTest],
    *,
    now: datetime,
    accept_good_rows: bool = False,
    sheet: str = "feed_tests",
) -> RecordReport:
    """Record feed tests. They are never corrected: a later test takes over. Otherwise as meter readings."""
    batch = Batch(sheet, now)
    for i, test in enumerate(tests):
        batch.check_moment(i, test.row, "sampled_at", test.sampled_at)
        batch.check_values(i, test.row, test.values)
        if (test.site_id is None) == (test.supply_id is None):
            batch.refuse(i, test.row, "site", "", "A feed test belongs to a site or to a supply.",
                         "Name one of the two.")  # fmt: skip
        elif not test.values:
            batch.refuse(i, test.row, "sampled_at", "", "Nothing was measured.",
                         "Fill in at least one value, or leave the row out.")  # fmt: skip
    standing = _standing_tests(tests)
    report = RecordReport(problems=batch.problems)
    fresh: dict[tuple, NewFeedTest] = {}
    for i, test in enumerate(tests):
        if i in batch.refused:
            continue
        key = (test.site_id, test.supply_id, test.sampled_at)
        known = standing.get(key) or (fresh[key].values if key in fresh else None)
        if known is None:
            fresh[key] = test
        elif all(_same(known.get(name), value) for name, value in test.values.items()):
            report.duplicates += 1
        else:
            batch.refuse(i, test.row, "sampled_at", test.sampled_at.isoformat(), f"{_ANOTHER_VALUE}.",
                         "A feed test is not overwritten: add a later one.")  # fmt: skip
    if batch.problems and not accept_good_rows:
        return report
    rows = [
        FeedTest(
            site_id=test.site_id, supply_id=test.supply_id, sampled_at=test.sampled_at,
            recorded_at=now, source=test.source, **test.values,
        )
        for test in fresh.values()
    ]  # fmt: skip
    FeedTest.objects.bulk_create(rows, batch_size=BATCH)
    report.recorded = len(rows)
    return report


def _meters(meter_ids: Iterable[int]) -> dict[int, MeterFacts]:
    """Return the facts of meters, and keep others from recording on them meanwhile."""
    facts = {}
    for part in _chunks(meter_ids):
        query = Meter.objects.select_for_update(of=("self",)).filter(pk__in=part).order_by("pk")
        for meter in query.select_related("treatment_unit"):
            unit = meter.treatment_unit
            facts[meter.pk] = MeterFacts(
                meter.pk, unit.pk, unit.serial, meter.water, meter.serial,
                MeterMeasure(meter.measure).value, gal_per(Measure(meter.measure)),
                float(10**meter.digits),
                most_gal_per_day(meter.water, unit.design_permeate_gpm, unit.design_recovery),
            )  # fmt: skip
    return facts


def _locked_units(unit_ids: Iterable[int]) -> set[int]:
    found: set[int] = set()
    for part in _chunks(unit_ids):
        query = TreatmentUnit.objects.select_for_update().filter(pk__in=part).order_by("pk")
        found.update(query.values_list("pk", flat=True))
    return found


def _gallons(batch: Batch, meters: dict[int, MeterFacts], i: int, reading: NewMeterReading) -> float:
    """Return a total in gallons; refuse what can't be one. [gal]"""
    meter = meters.get(reading.meter_id)
    if meter is None:
        batch.refuse(
            i, reading.row, "meter", reading.meter_id, "There is no such meter.", "Add the meter first."
        )
        return math.nan
    batch.check_moment(i, reading.row, "read_at", reading.read_at)
    if not math.isfinite(reading.total):
        batch.refuse(i, reading.row, "total", reading.total, "This is no number that can be counted with.",
                     "Write what the register shows.")  # fmt: skip
        return math.nan
    if reading.total < 0:
        batch.refuse(i, reading.row, "total", reading.total, "total can't be negative.",
                     "Write what the register shows.")  # fmt: skip
    per_count = meter.gal_per_count if reading.measure is None else gal_per(reading.measure)
    gal = reading.total * per_count
    if gal >= meter.rollover * meter.gal_per_count:
        batch.refuse(
            i, reading.row, "total", reading.total,
            f"The register of {meter.unit_serial} can't show that much: it ends below "
            f"{meter.rollover:,.0f} {meter.measure}.",
            "Check the value and its measure, or the meter's digits.",
        )  # fmt: skip
    return gal


def _standing_totals(
    readings: Sequence[NewMeterReading], batch: Batch
) -> dict[tuple[int, datetime], MeterReading]:
    """Return the latest readings of the meters from the batch's first moment on, and the one before."""
    firsts: dict[int, datetime] = {}
    for i, reading in enumerate(readings):
        if i not in batch.refused:
            at = firsts.get(reading.meter_id, reading.read_at)
            firsts[reading.meter_id] = min(at, reading.read_at)
    found = {}
    columns = MeterReading.objects.filter(is_latest=True).only(
        "meter_id", "read_at", "total", "total_gal", "revision"
    )
    for part in _chunks(firsts):
        first = min(firsts[meter_id] for meter_id in part)
        before = MeterReading.objects.filter(meter=OuterRef("pk"), is_latest=True, read_at__lt=first)
        last = Meter.objects.filter(pk__in=part).values_list(
            Subquery(before.order_by("-read_at").values("pk")[:1]), flat=True
        )
        previous = [pk for pk in last if pk is not None]
        for standing in columns.filter(Q(meter_id__in=part, read_at__gte=first) | Q(pk__in=previous)):
            found[standing.meter_id, standing.read_at] = standing
    return found


def _standing_gauges(
    readings: Sequence[NewPerformanceReading], batch: Batch
) -> dict[tuple[int, datetime], PerformanceReading]:
    good = [reading for i, reading in enumerate(readings) if i not in batch.refused]
    found = {}
    for part in _chunks({reading.treatment_unit_id for reading in good}):
        inside = set(part)
        moments = [reading.read_at for reading in good if reading.treatment_unit_id in inside]
        query = PerformanceReading.objects.filter(treatment_unit_id__in=part, is_latest=True)
        for standing in query.filter(read_at__range=(min(moments), max(moments))):
            found[standing.treatment_unit_id, standing.read_at] = standing
    return found


def _standing_tests(tests: Sequence[NewFeedTest]) -> dict[tuple, dict[str, float | None]]:
    found = {}
    for name in ("site_id", "supply_id"):
        for part in _chunks({getattr(test, name) for test in tests} - {None}):
            for test in FeedTest.objects.filter(**{f"{name}__in": part}):
                found[test.site_id, test.supply_id, test.sampled_at] = vars(test)
    return found


def _refuse_backwards(
    batch: Batch,
    readings: Sequence[NewMeterReading],
    gallons: list[float],
    meters: dict[int, MeterFacts],
    standing: dict[tuple[int, datetime], MeterReading],
    fresh: dict[tuple[int, datetime], int],
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


def _store(model: type, rows: list, replaced: list[int], report: RecordReport) -> None:
    for part in _chunks(replaced):
        model.objects.filter(pk__in=part).update(is_latest=False)
    model.objects.bulk_create(rows, batch_size=BATCH)
    report.corrected = len(replaced)
    report.recorded = len(rows) - len(replaced)
    report.unit_ids = {row.treatment_unit_id for row in rows}


def _same(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is other
    return math.isclose(one, other, rel_tol=_TOLERANCE, abs_tol=_TOLERANCE)


def _same_gauges(one: NewPerformanceReading, other: NewPerformanceReading) -> bool:
    names = one.values.keys() | other.values.keys()
    return one.saw_fines == other.saw_fines and all(
        _same(one.values.get(name), other.values.get(name)) for name in names
    )


def _stands_as(known: PerformanceReading, reading: NewPerformanceReading) -> bool:
    return known.saw_fines == reading.saw_fines and all(
        _same(getattr(known, name), value) for name, value in reading.values.items()
    )


def _chunks(items: Iterable) -> Iterable[list]:
    listed = list(items)
    for start in range(0, len(listed), CHUNK):
        yield listed[start : start + CHUNK]
