"""What the office enters by hand for a treatment unit: each act with its rule and its line in the trail.

The caller looks at the unit again afterwards (``scheduling.orders.again``).
"""

import uuid
from collections.abc import Mapping
from datetime import datetime

from django.db import transaction

from fleet.models import (
    AuditArea,
    Flush,
    FlushKind,
    Meter,
    Part,
    PartKind,
    Person,
    Position,
    ReadingSource,
    Site,
    TreatmentUnit,
)
from fleet.people import audit
from fleet.readings import feed_tests, flushes, gauges, meter_readings
from fleet.readings.rows import NewFeedTest, NewMeterReading, NewPerformanceReading, OnDoubt, RecordReport
from fleet.register import parts
from shared.errors import DomainError
from shared.measures import Measure
from shared.messages import message


class InDoubt(DomainError):
    """A total that falls or leaps: asked once, kept with a reason."""


@transaction.atomic
def enter_total(
    meter: Meter, total: float, *, at: datetime, measure: Measure | None = None, because: str = "",
    by: Person | None, now: datetime, source: ReadingSource = ReadingSource.OFFICE,
) -> RecordReport:  # fmt: skip
    """Record what a register showed. Raises InDoubt for a fall or a leap kept for no reason."""
    if at < meter.installed_at or (meter.removed_at and at > meter.removed_at):
        raise DomainError(
            message("This meter was not in place on {at:%d %b %Y}.", at=at),
            remedy=message("Check the date, or choose the meter that was."),
            field="read_at",
        )
    report = meter_readings.record_meter_readings(
        [NewMeterReading(meter.pk, at, total, measure, kept_because=because.strip())],
        source=source, now=now, on_doubt=OnDoubt.ASK,
    )  # fmt: skip
    if report.asks:
        first = report.problems[0]
        raise InDoubt(first.message, remedy=first.remedy, field="total")
    told = f"{meter.water} {total:,.10g} {measure or meter.measure}"
    _done(report, meter.treatment_unit.serial, f"{told}: {because.strip()}" if because else told, by, now)
    return report


@transaction.atomic
def enter_gauges(
    unit: TreatmentUnit, values: dict[str, float], *, at: datetime, saw_fines: bool = False,
    by: Person | None, now: datetime,
) -> RecordReport:  # fmt: skip
    """Record gauges and flows of one moment. ``values`` by column of PerformanceReading."""
    report = gauges.record_performance_readings(
        [NewPerformanceReading(unit.pk, at, values, saw_fines)], source=ReadingSource.OFFICE, now=now
    )
    _done(report, unit.serial, _listed(values), by, now)
    return report


@transaction.atomic
def enter_feed_test(
    site: Site, values: Mapping[str, float], *, total_chlorine_mg_l: float | None, at: datetime, source: str,
    by: Person | None, now: datetime,
) -> RecordReport:  # fmt: skip
    """
    Record a laboratory's feed test of a site. ``values`` by column of FeedTest.

    Where total chlorine is given, combined chlorine is what it exceeds free chlorine by: total chlorine is
    free and combined chlorine together (Standard Methods for the Examination of Water and Wastewater,
    4500-Cl). [mg/L]
    """
    measured = dict(values)
    if total_chlorine_mg_l is not None:
        free = measured.get("free_chlorine_mg_l")
        if free is None or total_chlorine_mg_l < free:
            raise DomainError(
                message("Total chlorine can't be used without free chlorine, nor be less than it."),
                remedy=message("Fill in both as the laboratory has them; free is a part of total."),
                field="total_chlorine_mg_l",
            )
        measured["chloramine_mg_l"] = round(total_chlorine_mg_l - free, 6)
    report = feed_tests.record_feed_tests([NewFeedTest(site.pk, None, at, measured, source[:40])], now=now)
    _done(report, site.code, _listed(measured), by, now)
    return report


@transaction.atomic
def enter_flush(
    unit: TreatmentUnit, *, kind: str, at: datetime, volume_gal: float, minutes: float, ran_clear: bool,
    client_id: uuid.UUID, by: Person | None, now: datetime,
) -> Flush:  # fmt: skip
    """Record a flush somebody else did. The same ``client_id`` again changes nothing."""
    _not_ahead(at, now, "flushed_at")
    flush = flushes.record_flush(
        treatment_unit=unit, kind=kind, at=at, volume_gal=volume_gal, minutes=minutes, ran_clear=ran_clear,
        by=by, client_id=client_id,
    )  # fmt: skip
    told = f"{FlushKind(kind)} {volume_gal:g} gal {minutes:g} min"
    audit.note(
        message("flush recorded"), area=AuditArea.FLEET, about=unit.serial, detail=told, by=by, now=now
    )
    return flush


@transaction.atomic
def enter_part(
    position: Position, *, kind: PartKind, found: Part | None, at: datetime, reason: str, serial: str,
    lot: str, by: Person | None, now: datetime,
) -> Part:  # fmt: skip
    """
    Record a part the customer changed. Stock is not touched.

    ``found`` is what was in the position when the page was opened; a change by somebody else meanwhile, and
    a second press, are refused.
    """
    _not_ahead(at, now, "changed_at")
    parts.lock_unit(position.treatment_unit_id)
    here = parts.part_in(position)
    if (here and here.pk) != (found and found.pk):
        raise DomainError(
            message("The part in {code} has been changed meanwhile.", code=position.code),
            remedy=message("Load the page again and look at the parts."),
            field="position",
        )
    if here is None:
        new = parts.install(position=position, kind=kind, at=at, serial=serial, lot=lot)
    else:
        new = parts.replace(here, kind=kind, at=at, reason=reason, serial=serial, lot=lot)
    told = f"{position.code}: {here.kind.code if here else '–'} → {kind.code} {reason}"
    unit = position.treatment_unit
    audit.note(message("part replaced"), area=AuditArea.FLEET, about=unit.serial, detail=told, by=by, now=now)
    return new


def _not_ahead(at: datetime, now: datetime, field: str) -> None:
    if at > now:
        raise DomainError(
            message("This date is in the future."), remedy=message("Check year, month and day."), field=field
        )


@transaction.atomic
def _done(report: RecordReport, about: str, told: str, by: Person | None, now: datetime) -> None:
    """Note what was recorded. Raises DomainError for the first thing that is wrong."""
    if report.problems:
        first = report.problems[0]
        raise DomainError(first.message, remedy=first.remedy, field=first.field)
    if not report.duplicates:
        what = message("reading recorded")
        audit.note(what, area=AuditArea.FLEET, about=about, detail=told, by=by, now=now)


def _listed(values: Mapping[str, float]) -> str:
    return ", ".join(f"{name} {value:g}" for name, value in values.items())
