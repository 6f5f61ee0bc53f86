"""Records what registers showed, in bulk."""

import math
from collections.abc import Iterable, Sequence
from datetime import datetime

from django.db import transaction
from django.db.models import OuterRef, Q, Subquery

from fleet.models import Meter, MeterMeasure, MeterReading, ReadingSource
from fleet.services.reading_rows import Batch, NewMeterReading, RecordReport
from fleet.services.reading_store import ANOTHER_VALUE, AS_CORRECTION, chunks, same, store
from fleet.services.register_order import Mark, MeterFacts, most_gal_per_day, refuse_falls
from shared.measures import Measure, gal_per


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
    fresh = _choose(batch, readings, gallons, meters, standing, as_correction, report)
    if refuse_backwards:
        _refuse_backwards(batch, readings, gallons, meters, standing, fresh)
    if batch.problems and not accept_good_rows:
        return report
    rows, replaced = [], []
    for key, i in fresh.items():
        if i in batch.refused:
            continue
        known = standing.get(key)
        revision = 0 if known is None else known.revision + 1
        replaced += [] if known is None else [known.pk]
        rows.append(_table_row(readings[i], meters[key[0]], gallons[i], revision, source, now))
    store(MeterReading, rows, replaced, report)
    return report


def _choose(
    batch: Batch,
    readings: Sequence[NewMeterReading],
    gallons: list[float],
    meters: dict[int, MeterFacts],
    standing: dict[tuple[int, datetime], MeterReading],
    as_correction: bool,
    report: RecordReport,
) -> dict[tuple[int, datetime], int]:
    """Return what is new, by meter and moment; count what is known already, refuse what contradicts it."""
    fresh: dict[tuple[int, datetime], int] = {}
    for i, reading in enumerate(readings):
        if i in batch.refused:
            continue
        key = (reading.meter_id, reading.read_at)
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


def _table_row(
    reading: NewMeterReading,
    meter: MeterFacts,
    gal: float,
    revision: int,
    source: ReadingSource,
    now: datetime,
) -> MeterReading:
    return MeterReading(
        treatment_unit_id=meter.unit_id,
        meter_id=meter.meter_id,
        water=meter.water,
        read_at=reading.read_at,
        total=reading.total if reading.measure is None else gal / meter.gal_per_count,
        total_gal=gal,
        rollover_gal=meter.rollover * meter.gal_per_count,
        revision=revision,
        source=source,
        recorded_at=now,
    )


def _meters(meter_ids: Iterable[int]) -> dict[int, MeterFacts]:
    """Return the facts of meters, and keep others from recording on them meanwhile."""
    facts = {}
    for part in chunks(meter_ids):
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
    for part in chunks(firsts):
        first = min(firsts[meter_id] for meter_id in part)
        before = MeterReading.objects.filter(meter=OuterRef("pk"), is_latest=True, read_at__lt=first)
        last = Meter.objects.filter(pk__in=part).values_list(
            Subquery(before.order_by("-read_at").values("pk")[:1]), flat=True
        )
        previous = [pk for pk in last if pk is not None]
        for standing in columns.filter(Q(meter_id__in=part, read_at__gte=first) | Q(pk__in=previous)):
            found[standing.meter_id, standing.read_at] = standing
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
