"""Positions, parts and flushes into their tables.

Meter readings and performance readings through fleet's recording services.
"""

import uuid
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from typing import TypeVar

from django.db import connection

from fleet.models import (
    Cartridge,
    Flush,
    Membrane,
    Meter,
    MeterWater,
    Part,
    PartRole,
    Position,
    ReadingSource,
)
from fleet.readings.gauges import record_performance_readings
from fleet.readings.meter_in_place import meter_in_place
from fleet.readings.meter_readings import record_meter_readings
from fleet.readings.rows import NewMeterReading, NewPerformanceReading
from fleet.workbook.parse import ParsedSheet, Row, table_values
from fleet.workbook.saving import BATCH, Candidate, ImportRun, Stay, chunks, refuse_overlaps, save_rows
from fleet.workbook.sheets import GAUGE_ATTRIBUTES
from fleet.workbook.write_register import check_order
from shared.messages import message
from shared.periods import local_day

_FLUSH_NAMES = uuid.UUID("5b6f0f52-3f0c-4d0e-9a55-1d6f9f2f7c11")
_FROZEN_FLUSH = {
    name: (column, message("A recorded flush is not changed: record the other one with its own time."))
    for name, column in [("volume_gal", "volume"), ("minutes", "minutes"), ("ran_clear", "ran_clear")]
}
_FROZEN_PART = {
    "kind": ("kind", message("Give the part that was there a removed_at, and the other one its own row."))
}


def write_parts(run: ImportRun, parsed: ParsedSheet) -> None:
    """Write parts with their positions; two parts in one position at one time are refused."""
    candidates = [found for row in parsed.good_rows if (found := _part(run, parsed, row))]
    unit_ids = sorted({candidate.key[0] for candidate in candidates})
    existing = _standing_parts(unit_ids)
    positions = _standing_positions(unit_ids)
    for candidate in candidates:
        if not candidate.row.is_refused:
            _check_removal(run, candidate, existing.get(candidate.key))
    refuse_overlaps(run, _stays(candidates, existing), "parts", "position", "position")
    _place(run, candidates, positions)
    outcome = save_rows(
        run, parsed, Part, candidates, existing, key_column="installed_at", frozen=_FROZEN_PART
    )
    rejections = {row.number: row.get("factory_rejection") for row in parsed.rows}
    _add_children([(part, rejections[row.number]) for row, part in outcome.added])
    _correct_rejections(run, parsed, [pair for pair in outcome.saved if pair not in outcome.added])
    run.remember_places(parsed, "position")


def _part(run: ImportRun, parsed: ParsedSheet, row: Row) -> Candidate | None:
    unit = run.find(row, "treatment_unit", "treatment_units")
    kind = run.find(row, "kind", "catalogue")
    zone = unit.site.time_zone if unit else run.zone_name
    installed_at = run.past_moment(row, "installed_at", zone)
    removed_at = run.past_moment(row, "removed_at", zone)
    made_on = run.past_date(row, "made_on")
    if unit is None or kind is None:
        return None
    if removed_at is not None:
        check_order(run, row, installed_at, removed_at)
    if made_on is not None and made_on > local_day(installed_at, zone):
        run.refuse(
            row, "made_on", message("It was made after it went in."), message("Correct one of the two dates.")
        )
    if row.get("factory_rejection") is not None and kind.role != PartRole.MEMBRANE:
        run.refuse(
            row,
            "factory_rejection",
            message("{code} is no membrane and has no rejection.", code=kind.code),
            message("Leave the cell blank."),
        )
    if row.is_refused:
        return None
    leave = ("treatment_unit", "position", "order", "water", "kind", "factory_rejection")
    values = table_values(parsed, row, leave=leave) | {
        "treatment_unit": unit, "kind": kind, "installed_at": installed_at,
    }  # fmt: skip
    if removed_at is not None:
        values["removed_at"] = removed_at
    return Candidate(row, (unit.pk, row.values["position"], installed_at), values)


def _check_removal(run: ImportRun, candidate: Candidate, standing: Part | None) -> None:
    """A removal has a date and a reason, from the file or from before."""
    values = candidate.values
    removed_at = values.get("removed_at", standing.removed_at if standing else None)
    reason = values.get("removal_reason", standing.removal_reason if standing else None)
    if removed_at is not None and reason is None:
        run.refuse(candidate.row, "removal_reason", message("It is not said why the part came out."),
                   message("Write worn, failed, early or unknown."))  # fmt: skip
    if reason is not None and removed_at is None:
        run.refuse(
            candidate.row,
            "removed_at",
            message("A reason for removal without a date."),
            message("Fill in removed_at."),
        )


def _standing_parts(unit_ids: list[int]) -> dict[tuple, Part]:
    return {
        (part.treatment_unit_id, part.position.code, part.installed_at): part
        for ids in chunks(unit_ids)
        for part in Part.objects.filter(treatment_unit_id__in=ids).select_related(
            "treatment_unit", "position", "kind"
        )
    }


def _standing_positions(unit_ids: list[int]) -> dict[tuple[int, str], Position]:
    return {
        (position.treatment_unit_id, position.code): position
        for ids in chunks(unit_ids)
        for position in Position.objects.filter(treatment_unit_id__in=ids)
    }


def _stays(candidates: list[Candidate], existing: dict[tuple, Part]) -> list[Stay]:
    stays = []
    kinds = {}
    for candidate in candidates:
        key, kind = candidate.key, candidate.values["kind"]
        if candidate.row.is_refused or kinds.get(key) == kind.pk:
            continue
        kinds[key] = kind.pk
        standing = existing.get(key)
        ends = candidate.values.get("removed_at", standing.removed_at if standing else None)
        stays.append(Stay(key[:2], key[2], ends, kind.code, candidate.row))
    for key, part in existing.items():
        if key not in kinds:
            stays.append(Stay(key[:2], key[2], part.removed_at, part.kind.code))
    return stays


def _place(run: ImportRun, candidates: list[Candidate], positions: dict[tuple[int, str], Position]) -> None:
    """Give every candidate its position; new ones are made, contradictions refused."""
    by_order = {(position.treatment_unit_id, position.order): position for position in positions.values()}
    fresh = []
    for candidate in candidates:
        row, place = candidate.row, candidate.key[:2]
        if row.is_refused:
            continue
        order, water = row.get("order"), row.get("water")
        position = positions.get(place)
        if position is not None:
            _check_position(run, row, position, order, water)
        elif order is None or water is None:
            column = "order" if order is None else "water"
            run.refuse(
                row,
                column,
                message(
                    "Position {place!r} is new, so its {column} is needed.", place=place[1], column=column
                ),
                message("Fill it in: order along the water, and feed or permeate."),
            )
        elif (place[0], order) in by_order:
            taken = by_order[place[0], order].code
            run.refuse(
                row,
                "order",
                message(
                    "Place {order} along the water is position {taken!r} already.", order=order, taken=taken
                ),
                message("Give every position its own number."),
            )
        else:
            unit = candidate.values["treatment_unit"]
            position = Position(treatment_unit=unit, code=place[1], order=order, water=water)
            positions[place] = by_order[place[0], order] = position
            fresh.append(position)
        candidate.values["position"] = position
    Position.objects.bulk_create(fresh, batch_size=BATCH)


def _check_position(run: ImportRun, row: Row, position: Position, order: object, water: object) -> None:
    for column, value, standing in [("order", order, position.order), ("water", water, position.water)]:
        if value is not None and value != standing:
            run.refuse(
                row,
                column,
                message(
                    "Position {code!r} has {column} {standing} already.",
                    code=position.code,
                    column=column,
                    standing=standing,
                ),
                message("Write the same in every row of this position, or leave the cell blank."),
            )


def _add_children(parts: list[tuple[Part, object]]) -> None:
    """Add the row that makes a part a cartridge or a membrane; bulk_create does not do such tables."""
    membranes = [(part.pk, rejection) for part, rejection in parts if part.kind.role == PartRole.MEMBRANE]
    cartridges = [(part.pk,) for part, _rejection in parts if part.kind.role != PartRole.MEMBRANE]
    quote = connection.ops.quote_name
    pointer = quote("part_ptr_id")
    with connection.cursor() as cursor:
        if membranes:
            cursor.executemany(
                f"INSERT INTO {quote(Membrane._meta.db_table)} ({pointer}, {quote('factory_rejection')}) "
                "VALUES (%s, %s)",
                membranes,
            )
        if cartridges:
            cursor.executemany(
                f"INSERT INTO {quote(Cartridge._meta.db_table)} ({pointer}) VALUES (%s)", cartridges
            )


def _correct_rejections(run: ImportRun, parsed: ParsedSheet, pairs: list[tuple[Row, Part]]) -> None:
    wanted = {part.pk: (row, part) for row, part in pairs if row.get("factory_rejection") is not None}
    changed = []
    for ids in chunks(sorted(wanted)):
        for membrane in Membrane.objects.filter(pk__in=ids):
            row, _part_found = wanted[membrane.pk]
            if membrane.factory_rejection != row.values["factory_rejection"]:
                membrane.factory_rejection = row.values["factory_rejection"]
                changed.append(membrane)
    Membrane.objects.bulk_update(changed, ["factory_rejection"], batch_size=BATCH)
    counts = run.counts[parsed.sheet.name]
    counts.changed += len(changed)
    counts.unchanged -= len(changed)


def write_flushes(run: ImportRun, parsed: ParsedSheet) -> None:
    """Write flushes as they were done; a flush of a position belongs to the part that was there then."""
    candidates = []
    rows = []
    for row in parsed.good_rows:
        unit = run.find(row, "treatment_unit", "treatment_units")
        if unit is None:
            continue
        flushed_at = run.past_moment(row, "flushed_at", unit.site.time_zone)
        if not row.is_refused:
            rows.append((row, unit, flushed_at))
    unit_ids = sorted({unit.pk for _row, unit, _at in rows})
    stays: dict[tuple[int, str], list[Part]] = {}
    for key, part in _standing_parts(unit_ids).items():
        stays.setdefault(key[:2], []).append(part)
    for row, unit, flushed_at in rows:
        part = _part_flushed(run, row, stays.get((unit.pk, row.get("position")), []), flushed_at)
        if row.is_refused:
            continue
        name = f"{unit.serial}|{row.values['kind']}|{flushed_at.isoformat()}|{part.pk if part else ''}"
        values = table_values(parsed, row, leave=("treatment_unit", "position")) | {
            "treatment_unit": unit, "part_id": part.pk if part else None, "flushed_at": flushed_at,
        }  # fmt: skip
        candidate = Candidate(row, (unit.pk, values["kind"], flushed_at, values["part_id"]), values)
        candidate.values["client_id"] = uuid.uuid5(_FLUSH_NAMES, name)
        candidates.append(candidate)
    existing = {
        (flush.treatment_unit_id, flush.kind, flush.flushed_at, flush.part_id): flush
        for ids in chunks(unit_ids)
        for flush in Flush.objects.filter(treatment_unit_id__in=ids).select_related("treatment_unit")
    }
    for candidate in candidates:
        if candidate.key in existing:
            del candidate.values["client_id"]
        else:
            candidate.values["recorded_by"] = run.by
    save_rows(run, parsed, Flush, candidates, existing, key_column="flushed_at", frozen=_FROZEN_FLUSH)


def _part_flushed(run: ImportRun, row: Row, parts: list[Part], flushed_at: datetime) -> Part | None:
    position = row.get("position")
    if position is None:
        return None
    for part in parts:
        if part.installed_at <= flushed_at and (part.removed_at is None or flushed_at <= part.removed_at):
            return part
    refused = run.refused_places.get(("parts", str(row.get("treatment_unit")), str(position)))
    if refused is not None:
        run.refuse(
            row,
            "position",
            message("Depends on parts row {number}, which was refused.", number=refused.number),
            message("Correct that row first."),
        )
    else:
        run.refuse(
            row,
            "position",
            message("No part was in position {position!r} then.", position=position),
            message("Correct the position or the time, or add the part to the sheet parts."),
        )
    return None


Reading = TypeVar(message("Reading"))
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
    meter = meter_in_place(named, read_at, _SLACK)
    if meter is not None:
        return meter
    refused = run.refused_places.get(("meters", str(row.get("treatment_unit")), water))
    if refused is not None:
        problem = message("Depends on meters row {number}, which was refused.", number=refused.number)
        remedy = message("Correct that row first.")
    elif not named:
        problem = (
            message("The treatment unit has no {water} meter {serial}.", water=water, serial=serial)
            if serial
            else message("The treatment unit has no {water} meter.", water=water)
        )
        remedy = message("Correct the serial, or add the meter to the sheet meters.")
    else:
        meter = named[0]
        until = message(" to {removed_at:%Y-%m-%d}", removed_at=meter.removed_at) if meter.removed_at else ""
        problem = message(
            "That meter was not in place then, only from {installed_at:%Y-%m-%d}{until}.",
            installed_at=meter.installed_at,
            until=until,
        )
        remedy = message("Correct the date, or name the meter that was in place.")
    run.refuse(row, "meter" if serial else "read_at", problem, remedy)
    return None


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
