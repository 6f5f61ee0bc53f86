"""The import obeys the roles table and branches: every sheet, every role, another branch's rows."""

import pytest
from django.core.management import call_command
from openpyxl import load_workbook

from fleet.models import AuditArea, AuditEntry, Branch, PartKind, Site
from scheduling.models import PlanPrice, Technician
from scheduling.workbook.importing import import_workbook, make_template, preview
from scheduling.workbook.sheets import SHEETS
from shared.errors import DomainError
from shared.roles import Permission, Role, may
from tests import factories
from tests.scheduling.small_fleet import sheets

pytestmark = pytest.mark.django_db
BY_NAME = {sheet.name: sheet for sheet in SHEETS}
MONEY_SHEETS = {"plans", "plan_terms", "tax_rates"}


def bring_in(source, now, by):
    return import_workbook(source, accept_good_rows=True, now=now, by=by)


def changed(name: str) -> list[dict]:
    """The sheet's first row, with something else in it that a file may correct or add."""
    row = sheets()[name][0]
    other = {
        "branches": {"name": "Elsewhere"}, "customers": {"name": "Elsewhere"}, "supplies": {"name": "Other"},
        "sites": {"name": "Elsewhere"}, "catalogue": {"name": "Other"}, "treatment_units": {"label": "attic"},
        "feed_tests": {"sampled_at": "2026-02-15 09:30"}, "parts": {"serial": "Z9"},
        "flushes": {"flushed_at": "2026-02-10 11:00"}, "meters": {"serial": "M9"},
        "meter_readings": {"read_at": "2026-02-15 10:15", "total": 50_100},
        "performance_readings": {"read_at": "2026-02-15 10:30"}, "access_hours": {"closes_at": "13:00"},
        "technicians": {"name": "Somebody"}, "shifts": {"starts_at": "09:00"}, "absences": {"reason": "ill"},
        "plans": {"price": "60.00", "price_from_on": "2026-09-01"}, "plan_terms": {"from_on": "2026-09-01"},
        "tax_rates": {"from_on": "2026-09-01"},
    }  # fmt: skip
    return [row | other[name]]


def money_free(rows: list[dict]) -> list[dict]:
    return [{name: value for name, value in row.items() if name not in ("cost", "price")} for row in rows]


@pytest.fixture
def fleet(now):
    """A small fleet of the branch north, brought in from the shell; and a branch south."""
    report = import_workbook(sheets(), accept_good_rows=False, now=now)
    assert report.problems == []
    return {"north": Branch.objects.get(), "south": factories.branch(code="south")}


def test_the_changes_of_these_tests_are_changes(fleet, now):
    owner = factories.person("owner")
    report = bring_in({name: changed(name) for name in BY_NAME}, now, owner)
    assert report.problems == []
    assert {name: counts.added + counts.changed for name, counts in report.counts.items()} == dict.fromkeys(
        BY_NAME, 1
    )


@pytest.mark.parametrize("role", list(Role))
@pytest.mark.parametrize("name", list(BY_NAME))
def test_each_sheet_asks_the_roles_table(fleet, now, name, role):
    by = factories.person(role)
    source = {name: changed(name) if name in MONEY_SHEETS else money_free(changed(name))}
    if not may(role, Permission.IMPORT_FLEET):
        with pytest.raises(DomainError):
            bring_in(source, now, by)
        return
    report = bring_in(source, now, by)
    assert bool(report.rows_written) == may(role, BY_NAME[name].needs)
    assert bool(report.problems) != may(role, BY_NAME[name].needs)


@pytest.mark.parametrize("name", sorted(set(BY_NAME) - {"catalogue", "tax_rates"}))
def test_another_branchs_rows_are_as_if_they_were_not_there(fleet, now, name):
    # Allowed everything, so that only the branch refuses.
    by = factories.person("owner", branch=fleet["south"])
    looked_at = preview({name: changed(name)}, now=now, by=by)
    report = bring_in({name: changed(name)}, now, by)
    assert report.rows_written == 0
    assert report.problems
    told = " ".join(f"{problem.message} {problem.remedy}" for problem in looked_at.problems + report.problems)
    for row in sheets()[name]:
        assert row.get("name", "Amber Bakery (invented)") not in told
    assert str(PlanPrice.objects.first().amount) not in told


def test_nothing_moves_to_another_branch_or_makes_one(fleet, now):
    planner = factories.person("planner", branch=fleet["north"])
    source = {
        "branches": [{"code": "west", "name": "West"}],
        "sites": [sheets()["sites"][0] | {"branch": "south"}],
        "technicians": [sheets()["technicians"][0] | {"branch": "south"}],
    }
    report = bring_in(source, now, planner)
    assert [(problem.sheet, problem.field) for problem in report.problems] == [
        ("branches", "code"), ("sites", "branch"), ("technicians", "branch"),
    ]  # fmt: skip
    assert set(Branch.objects.values_list("code", flat=True)) == {"north", "south"}
    assert {Site.objects.get(code="S1").branch, Technician.objects.get().branch} == {fleet["north"]}


@pytest.mark.parametrize(
    ("name", "column"), [("catalogue", "cost"), ("catalogue", "price"), ("technicians", "cost_per_hour")]
)
def test_a_planner_neither_writes_nor_learns_an_amount_by_a_column(fleet, now, name, column):
    planner = factories.person("planner")
    row = sheets()[name][0]
    for amount in ("31.00", "99.00"):
        report = preview({name: [row | {column: amount}]}, now=now, by=planner)
        counts = report.counts[name]
        assert (counts.changed, counts.unchanged, counts.refused) == (0, 0, 1)
        assert [problem.field for problem in report.problems if problem.field != "cost"] in ([column], [])
    blank = {**money_free([row])[0], column: None}
    assert bring_in({name: [blank]}, now, planner).problems == []
    assert PartKind.objects.get(code="CAR").cost == 31


def test_the_template_has_what_one_may_bring_in(fleet, tmp_path):
    def headers(by):
        make_template(tmp_path / "fleet.xlsx", by)
        book = load_workbook(tmp_path / "fleet.xlsx")
        return {page.title: [cell.value for cell in page[1]] for page in book.worksheets}

    planners, owners = headers(factories.person("planner")), headers(factories.person("owner"))
    assert set(owners) - set(planners) == MONEY_SHEETS
    assert set(owners["catalogue"]) - set(planners["catalogue"]) == {"cost", "price"}
    assert set(owners["technicians"]) - set(planners["technicians"]) == {"cost_per_hour"}


def test_an_import_and_each_row_with_money_leave_an_entry(fleet, now):
    owner = factories.person("owner")
    before = set(AuditEntry.objects.values_list("pk", flat=True))
    source = {
        "catalogue": [sheets()["catalogue"][0] | {"cost": "33.00"}],
        "plans": changed("plans"),
        "tax_rates": changed("tax_rates"),
        "customers": changed("customers"),
    }
    preview(source, now=now, by=owner)
    assert AuditEntry.objects.count() == len(before)
    bring_in(source, now, owner)
    entries = AuditEntry.objects.exclude(pk__in=before).order_by("pk")
    told = [(entry.area, entry.about, entry.detail, entry.by) for entry in entries]
    assert [about for area, about, _detail, _by in told if area == AuditArea.MONEY] == ["CAR", "P1", "ST"]
    assert "cost: 33.00" in told[0][2]
    (whole,) = [detail for area, _about, detail, _by in told if area == AuditArea.FLEET]
    assert "customers: 0 added, 1 changed" in whole
    assert {by for *_rest, by in told} == {owner}
    bring_in(source, now, owner)
    assert entries.count() == len(told)


def test_the_command_at_the_server_may_bring_in_all(now, tmp_path):
    call_command("import_fleet", "--template", str(tmp_path / "fleet.xlsx"))
    report = import_workbook(sheets(), accept_good_rows=False, now=now)
    assert report.is_written
