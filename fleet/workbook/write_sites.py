"""Branches, customers, supplies, sites and feed tests into their tables."""

from functools import cache
from zoneinfo import available_timezones

from fleet.models import Branch, Customer, ReadingSource, Site, WaterSupply
from fleet.services.readings import NewFeedTest, record_feed_tests
from fleet.workbook.parse import ParsedSheet, Row
from fleet.workbook.run import ImportRun
from fleet.workbook.save import Candidate, save_rows
from fleet.workbook.sheets_sites import TESTED_ATTRIBUTES
from fleet.workbook.values import table_values


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
                run.refuse(row, "branch", "It is not said which branch the site belongs to.",
                           "Write the code of a branch from the sheet branches.")  # fmt: skip
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
            run.refuse(row, "site", "A feed test belongs to a site or to a supply.",
                       "Fill in one of the two columns site and supply.")  # fmt: skip
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
        run.refuse(row, "time_zone", "There is no time zone of this name.", "Write it as America/Chicago.")


def _only_branch(run: ImportRun) -> Branch | None:
    branches = list(Branch.objects.all()[:2])
    return branches[0] if len(branches) == 1 else None
