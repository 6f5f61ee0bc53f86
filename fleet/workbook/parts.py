"""Positions, parts and flushes: what their sheets ask, and what else a row of a part fills."""

import uuid
from collections.abc import Hashable, Iterator

from django.db import connection, models

from fleet.models import Membrane, Part, PartRole, Position
from fleet.workbook.import_run import BATCH, ImportRun, Problem, chunks
from fleet.workbook.rules import check_times, refuse_overlaps
from fleet.workbook.saving import Candidate, Outcome
from shared.messages import message
from shared.periods import local_day

_FLUSH_NAMES = uuid.UUID("5b6f0f52-3f0c-4d0e-9a55-1d6f9f2f7c11")


def check_part(run: ImportRun, candidate: Candidate) -> Iterator[Problem]:
    """A part's dates follow each other, a removal has its reason, and only a membrane has a rejection."""
    values = candidate.values
    unit, kind = values.get("treatment_unit"), values.get("kind")
    if unit is None or kind is None:
        return
    yield from check_times(run, candidate)
    made_on = values.get("made_on")
    if made_on is not None and made_on > local_day(values["installed_at"], unit.site.time_zone):
        text = message("It was made after it went in.")
        yield Problem("made_on", text, message("Correct one of the two dates."))
    if "factory_rejection" in candidate.given and kind.role != PartRole.MEMBRANE:
        text = message("{code} is no membrane and has no rejection.", code=kind.code)
        yield Problem("factory_rejection", text, message("Leave the cell blank."))
    removed_at, reason = candidate.becomes("removed_at"), candidate.becomes("removal_reason")
    if removed_at is not None and reason is None:
        text = message("It is not said why the part came out.")
        yield Problem("removal_reason", text, message("Write worn, failed, early or unknown."))
    if reason is not None and removed_at is None:
        text = message("A reason for removal without a date.")
        yield Problem("removed_at", text, message("Fill in removed_at."))


def place_parts(run: ImportRun, candidates: list[Candidate], existing: dict[Hashable, models.Model]) -> None:
    """Two parts are not in one position at one time; new positions are made, contradictions refused."""
    good = [candidate for candidate in candidates if not candidate.row.is_refused]
    refuse_overlaps(run, good, existing, lambda part: part["kind"].code, "parts", "position", "position")
    positions: dict[tuple[int, str], Position] = {}
    for ids in chunks(sorted({candidate.key[0] for candidate in good})):
        for position in Position.objects.filter(treatment_unit_id__in=ids):
            positions[position.treatment_unit_id, position.code] = position
    by_order = {(position.treatment_unit_id, position.order): position for position in positions.values()}
    fresh = []
    for candidate in good:
        if candidate.row.is_refused:
            continue
        place, order, water = candidate.key[:2], candidate.row.get("order"), candidate.row.get("water")
        position = positions.get(place)
        taken = by_order.get((place[0], order))
        if position is not None:
            _check_position(run, candidate, position)
        elif order is None or water is None:
            column = "order" if order is None else "water"
            text = message(
                "Position {place!r} is new, so its {column} is needed.", place=place[1], column=column
            )
            remedy = message("Fill it in: order along the water, and feed or permeate.")
            run.refuse(candidate.row, column, text, remedy)
        elif taken is not None:
            text = message(
                "Place {order} along the water is position {taken!r} already.", order=order, taken=taken.code
            )
            run.refuse(candidate.row, "order", text, message("Give every position its own number."))
        else:
            unit = candidate.values["treatment_unit"]
            position = Position(treatment_unit=unit, code=place[1], order=order, water=water)
            positions[place] = by_order[place[0], order] = position
            fresh.append(position)
        candidate.values["position"] = position
    Position.objects.bulk_create(fresh, batch_size=BATCH)


def _check_position(run: ImportRun, candidate: Candidate, position: Position) -> None:
    for column in ("order", "water"):
        value, standing = candidate.row.get(column), getattr(position, column)
        if value is not None and value != standing:
            text = message(
                "Position {code!r} has {column} {standing} already.",
                code=position.code,
                column=column,
                standing=standing,
            )
            remedy = message("Write the same in every row of this position, or leave the cell blank.")
            run.refuse(candidate.row, column, text, remedy)


def fill_part_kinds(_run: ImportRun, outcome: Outcome) -> set[int]:
    """Make new parts cartridges or membranes and correct rejections; return the parts that changed by it."""
    added = [(part, row.get("factory_rejection")) for row, part in outcome.added]
    _add_children(added)
    new = {part.pk for part, _rejection in added}
    wanted = {
        part.pk: row.values["factory_rejection"]
        for row, part in outcome.saved
        if "factory_rejection" in row.values and part.pk not in new
    }
    changed = []
    for ids in chunks(sorted(wanted)):
        for membrane in Membrane.objects.filter(pk__in=ids):
            if membrane.factory_rejection != wanted[membrane.pk]:
                membrane.factory_rejection = wanted[membrane.pk]
                changed.append(membrane)
    Membrane.objects.bulk_update(changed, ["factory_rejection"], batch_size=BATCH)
    return {membrane.pk for membrane in changed}


def _add_children(parts: list[tuple[Part, object]]) -> None:
    """Add the row that makes a part a cartridge or a membrane; bulk_create does not do such tables."""
    membranes = [(part.pk, rejection) for part, rejection in parts if part.kind.role == PartRole.MEMBRANE]
    cartridges = [(part.pk,) for part, _rejection in parts if part.kind.role != PartRole.MEMBRANE]
    with connection.cursor() as cursor:
        if membranes:
            cursor.executemany(
                "INSERT INTO fleet_membrane (part_ptr_id, factory_rejection) VALUES (%s, %s)", membranes
            )
        if cartridges:
            cursor.executemany("INSERT INTO fleet_cartridge (part_ptr_id) VALUES (%s)", cartridges)


def find_flushed(run: ImportRun, candidates: list[Candidate]) -> None:
    """A flush of a position belongs to the part that was there then."""
    stays: dict[tuple[int, str], list[Part]] = {}
    flushed = [one for one in candidates if "treatment_unit" in one.given and not one.row.is_refused]
    for ids in chunks(sorted({candidate.given["treatment_unit"].pk for candidate in flushed})):
        for part in Part.objects.filter(treatment_unit_id__in=ids).select_related("position"):
            stays.setdefault((part.treatment_unit_id, part.position.code), []).append(part)
    for candidate in flushed:
        unit, code = candidate.given["treatment_unit"], candidate.row.get("position")
        at = candidate.values["flushed_at"]
        part = candidate.values["part"] = next(
            (
                part
                for part in stays.get((unit.pk, code), ())
                if part.installed_at <= at and (part.removed_at is None or at <= part.removed_at)
            ),
            None,
        )
        if code is not None and part is None:
            problem = run.depends_on("parts", unit.serial, str(code)) or (
                message("No part was in position {position!r} then.", position=code),
                message("Correct the position or the time, or add the part to the sheet parts."),
            )
            run.refuse(candidate.row, "position", *problem)


def sign_flush(run: ImportRun, candidate: Candidate) -> dict[str, object]:
    """A flush keeps who brought it in, and a name by which the same one is known again."""
    values = candidate.values
    part = values["part"]
    name = "|".join(
        (
            values["treatment_unit"].serial,
            values["kind"],
            values["flushed_at"].isoformat(),
            str(part.pk) if part else "",
        )
    )
    return {"client_id": uuid.uuid5(_FLUSH_NAMES, name), "recorded_by": run.by}
