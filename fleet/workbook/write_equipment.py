"""Catalogue, treatment units and meters into their tables."""

from fleet.models import Meter, MeterMeasure, MeterReading, MeterWater, PartKind, TreatmentUnit
from fleet.workbook.parse import ParsedSheet, Row
from fleet.workbook.run import ImportRun, chunks
from fleet.workbook.save import Candidate, save_rows
from fleet.workbook.stays import Stay, refuse_overlaps
from fleet.workbook.values import table_values

_READ_BY_IT = "What was read would change its meaning: declare a new meter instead."


def write_catalogue(run: ImportRun, parsed: ParsedSheet) -> None:
    """Write part kinds."""
    known = run.known.setdefault("catalogue", {})
    candidates = []
    for row in parsed.good_rows:
        values = table_values(parsed, row)
        standing = known.get(row.values["code"])
        role = values["role"]
        if standing is not None and standing.role != role and "membrane" in (standing.role, role):
            run.refuse(row, "role", "A kind can't become a membrane or cease to be one.",
                       "Give the new kind a code of its own.")  # fmt: skip
        elif role == "membrane" and not (values.get("membrane_type") or standing):
            run.refuse(row, "membrane_type", "A membrane names its type.",
                       "Write polyamide or cellulose_triacetate.")  # fmt: skip
        elif role != "membrane" and values.get("membrane_type"):
            run.refuse(row, "membrane_type", "Only a membrane has a membrane type.", "Leave the cell blank.")
        candidates.append(Candidate(row, row.values["code"], values))
    outcome = save_rows(run, parsed, PartKind, candidates, dict(known), key_column="code")
    known.update({row.values["code"]: obj for row, obj in outcome.saved})


def write_treatment_units(run: ImportRun, parsed: ParsedSheet) -> None:
    """Write treatment units."""
    known = run.known.setdefault("treatment_units", {})
    candidates = []
    for row in parsed.good_rows:
        site = run.find(row, "site", "sites")
        values = table_values(parsed, row, leave=("site",)) | {"site": site}
        if values.get("is_out_of_service") and not values.get("out_of_service_reason"):
            run.refuse(row, "out_of_service_reason", "It is not said why it is out of service.",
                       "Write the reason.")  # fmt: skip
        candidates.append(Candidate(row, row.values["serial"], values))
    outcome = save_rows(run, parsed, TreatmentUnit, candidates, dict(known), key_column="serial")
    known.update({row.values["serial"]: obj for row, obj in outcome.saved})


def write_meters(run: ImportRun, parsed: ParsedSheet) -> None:
    """Write meters; two on one water of a treatment unit at one time are refused."""
    candidates = []
    units = set()
    for row in parsed.good_rows:
        unit = run.find(row, "treatment_unit", "treatment_units")
        if unit is None:
            continue
        zone = unit.site.time_zone
        water = row.get("water", MeterWater.PERMEATE.value)
        values = table_values(parsed, row, leave=("treatment_unit",)) | {
            "treatment_unit": unit, "water": water,
            "installed_at": run.past_moment(row, "installed_at", zone),
        }  # fmt: skip
        removed_at = run.past_moment(row, "removed_at", zone)
        if removed_at is not None:
            values["removed_at"] = removed_at
            check_order(run, row, values["installed_at"], removed_at)
        units.add(unit.pk)
        candidates.append(Candidate(row, (unit.pk, water, values["installed_at"]), values))
    existing = {
        (meter.treatment_unit_id, meter.water, meter.installed_at): meter
        for part in chunks(sorted(units))
        for meter in Meter.objects.filter(treatment_unit_id__in=part).select_related("treatment_unit")
    }
    refuse_overlaps(run, _stays(candidates, existing), "meters", "place", "installed_at")
    _freeze_measure(run, candidates, existing)
    save_rows(run, parsed, Meter, candidates, existing, key_column="installed_at")
    run.remember_places(parsed, "water", MeterWater.PERMEATE.value)


def _stays(candidates: list[Candidate], existing: dict) -> list[Stay]:
    stays = []
    keys = set()
    for candidate in candidates:
        if candidate.row.is_refused or candidate.key in keys:
            continue
        keys.add(candidate.key)
        standing = existing.get(candidate.key)
        ends = candidate.values.get("removed_at", standing.removed_at if standing else None)
        name = f"meter {candidate.values.get('serial', '')}".strip()
        stays.append(Stay(candidate.key[:2], candidate.key[2], ends, name, candidate.row))
    for key, meter in existing.items():
        if key not in keys:
            stays.append(Stay(key[:2], key[2], meter.removed_at, f"meter {meter.serial}".strip()))
    return stays


def _freeze_measure(run: ImportRun, candidates: list[Candidate], existing: dict) -> None:
    """A meter that was read keeps its measure and digits."""
    doubtful = []
    for candidate in candidates:
        standing = existing.get(candidate.key)
        if standing is None or candidate.row.is_refused:
            continue
        for name in ("measure", "digits"):
            if candidate.values.get(name, getattr(standing, name)) != getattr(standing, name):
                doubtful.append((candidate, standing, name))
    read = set()
    for part in chunks(sorted({standing.pk for _candidate, standing, _name in doubtful})):
        query = MeterReading.objects.filter(meter_id__in=part)
        read.update(query.values_list("meter_id", flat=True).distinct())
    for candidate, standing, name in doubtful:
        if standing.pk in read:
            run.refuse(candidate.row, name, f"A meter that was read keeps its {name}: "
                       f"{MeterMeasure(standing.measure).label}, {standing.digits} digits.",
                       _READ_BY_IT)  # fmt: skip


def check_order(run: ImportRun, row: Row, installed_at: object, removed_at: object) -> None:
    """Refuse a thing that came out before it went in."""
    if removed_at < installed_at:
        run.refuse(row, "removed_at", "It came out before it went in.", "Correct one of the two dates.")
