"""Branches, customers, supplies, sites and feed tests into their tables.

Catalogue, treatment units and meters into their tables.
"""

from functools import cache
from zoneinfo import available_timezones

from fleet.models import (
    Branch,
    Customer,
    Meter,
    MeterMeasure,
    MeterReading,
    MeterWater,
    PartKind,
    ReadingSource,
    Site,
    TreatmentUnit,
    WaterSupply,
)
from fleet.readings.feed_tests import record_feed_tests
from fleet.readings.rows import NewFeedTest
from fleet.workbook.parse import ParsedSheet, Row, table_values
from fleet.workbook.saving import Candidate, ImportRun, Stay, chunks, refuse_overlaps, save_rows
from fleet.workbook.sheets import TESTED_ATTRIBUTES
from shared.messages import message


def write_branches(run: ImportRun, parsed: ParsedSheet) -> None:
    """Write offices."""
    for row in parsed.good_rows:
        _check_zone(run, row)
    _write_coded(run, parsed, Branch)


def write_customers(run: ImportRun, parsed: ParsedSheet) -> None:
    """Write customers."""
    _write_coded(run, parsed, Customer)


def write_supplies(run: ImportRun, parsed: ParsedSheet) -> None:
    """Write water supplies."""
    _write_coded(run, parsed, WaterSupply)


def _write_coded(run: ImportRun, parsed: ParsedSheet, model: type) -> None:
    """Write a sheet that depends on no other."""
    known = run.known.setdefault(parsed.sheet.name, {})
    candidates = [Candidate(row, row.values["code"], table_values(parsed, row)) for row in parsed.good_rows]
    outcome = save_rows(run, parsed, model, candidates, dict(known), key_column="code")
    known.update({row.values["code"]: obj for row, obj in outcome.saved})


def write_sites(run: ImportRun, parsed: ParsedSheet) -> None:
    """Write sites."""
    known = run.known.setdefault("sites", {})
    only_branch = _only_branch(run)
    candidates = []
    for row in parsed.good_rows:
        _check_zone(run, row)
        customer = run.find(row, "customer", "customers")
        supply = run.find(row, "supply", "supplies")
        branch = run.find(row, "branch", "branches")
        values = table_values(parsed, row, leave=("customer", "branch", "supply"))
        if branch is None and not row.is_refused and row.values["code"] not in known:
            branch = only_branch
            if branch is None:
                run.refuse(row, "branch", message("It is not said which branch the site belongs to."),
                           message("Write the code of a branch from the sheet branches."))  # fmt: skip
        if row.is_refused:
            continue
        values["customer_id"] = customer.pk
        if branch is not None:
            values["branch_id"] = branch.pk
        if supply is not None:
            values["supply_id"] = supply.pk
        if "time_zone" not in values and branch is not None and row.values["code"] not in known:
            values["time_zone"] = branch.time_zone
        candidates.append(Candidate(row, row.values["code"], values))
    outcome = save_rows(run, parsed, Site, candidates, dict(known), key_column="code")
    known.update({row.values["code"]: obj for row, obj in outcome.saved})


def write_feed_tests(run: ImportRun, parsed: ParsedSheet) -> None:
    """Record feed tests."""
    rows: dict[int, Row] = {}
    tests = []
    for row in parsed.good_rows:
        site = run.find(row, "site", "sites")
        supply = run.find(row, "supply", "supplies")
        if not row.is_refused and (site is None) == (supply is None):
            run.refuse(row, "site", message("A feed test belongs to a site or to a supply."),
                       message("Fill in one of the two columns site and supply."))  # fmt: skip
        sampled_at = run.moment(row, "sampled_at", site.time_zone if site else run.zone_name)
        if row.is_refused:
            continue
        rows[row.number] = row
        values = table_values(parsed, row, only=TESTED_ATTRIBUTES)
        tests.append(
            NewFeedTest(
                site_id=site.pk if site else None,
                supply_id=supply.pk if supply else None,
                sampled_at=sampled_at,
                values=values,
                source=str(row.get("source", ReadingSource.FILE.label))[:40],
                row=row.number,
            )
        )
    report = record_feed_tests(tests, now=run.now, accept_good_rows=True, sheet=parsed.sheet.name)
    run.take_report(rows, parsed, report)


@cache
def _zones() -> frozenset[str]:
    return frozenset(available_timezones())


def _check_zone(run: ImportRun, row: Row) -> None:
    zone = row.get("time_zone")
    if zone is not None and zone not in _zones():
        run.refuse(
            row,
            "time_zone",
            message("There is no time zone of this name."),
            message("Write it as America/Chicago."),
        )


def _only_branch(run: ImportRun) -> Branch | None:
    branches = list(Branch.objects.all()[:2])
    return branches[0] if len(branches) == 1 else None


_READ_BY_IT = message("What was read would change its meaning: declare a new meter instead.")


def write_catalogue(run: ImportRun, parsed: ParsedSheet) -> None:
    """Write part kinds."""
    known = run.known.setdefault("catalogue", {})
    candidates = []
    for row in parsed.good_rows:
        values = table_values(parsed, row)
        standing = known.get(row.values["code"])
        role = values["role"]
        if standing is not None and standing.role != role and "membrane" in (standing.role, role):
            run.refuse(row, "role", message("A kind can't become a membrane or cease to be one."),
                       message("Give the new kind a code of its own."))  # fmt: skip
        elif role == "membrane" and not (values.get("membrane_type") or standing):
            run.refuse(row, "membrane_type", message("A membrane names its type."),
                       message("Write polyamide or cellulose_triacetate."))  # fmt: skip
        elif role != "membrane" and values.get("membrane_type"):
            run.refuse(
                row,
                "membrane_type",
                message("Only a membrane has a membrane type."),
                message("Leave the cell blank."),
            )
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
            run.refuse(row, "out_of_service_reason", message("It is not said why it is out of service."),
                       message("Write the reason."))  # fmt: skip
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


def _named(serial: str) -> str:
    return message("meter {serial}", serial=serial) if serial else message("meter")


def _stays(candidates: list[Candidate], existing: dict) -> list[Stay]:
    stays = []
    keys = set()
    for candidate in candidates:
        if candidate.row.is_refused or candidate.key in keys:
            continue
        keys.add(candidate.key)
        standing = existing.get(candidate.key)
        ends = candidate.values.get("removed_at", standing.removed_at if standing else None)
        name = _named(candidate.values.get("serial", ""))
        stays.append(Stay(candidate.key[:2], candidate.key[2], ends, name, candidate.row))
    for key, meter in existing.items():
        if key not in keys:
            stays.append(Stay(key[:2], key[2], meter.removed_at, _named(meter.serial)))
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
            run.refuse(
                candidate.row,
                name,
                message(
                    "A meter that was read keeps its {name}: {label}, {digits} digits.",
                    name=name,
                    label=MeterMeasure(standing.measure).label,
                    digits=standing.digits,
                ),
                _READ_BY_IT,
            )


def check_order(run: ImportRun, row: Row, installed_at: object, removed_at: object) -> None:
    """Refuse a thing that came out before it went in."""
    if removed_at < installed_at:
        run.refuse(
            row,
            "removed_at",
            message("It came out before it went in."),
            message("Correct one of the two dates."),
        )
