"""The fleet list: search, filters, pages, files, who sees what."""

import re
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from fleet.assessment.runs import assess_units
from fleet.models import TreatmentUnit, UnitState
from scheduling.overview.fleet_list import SORTS, FleetChoice, fleet_page
from tests import factories

pytestmark = pytest.mark.django_db
TODAY = factories.TODAY


@pytest.fixture
def planner(client):
    client.force_login(factories.person("planner"))
    return client


def listed(choice: FleetChoice, now, page: int = 1) -> list[str]:
    """Serials of one page."""
    return [row["serial"] for row in fleet_page(choice, now=now, today=TODAY, page=page).rows]


def in_state(unit, now, **given) -> UnitState:
    """A treatment unit's state as assessment would leave it."""
    return UnitState.objects.create(treatment_unit=unit, assessed_at=now, **given)


@pytest.mark.parametrize("words", ["ro-77", "harbour", "PELLE", "harbour pelle"])
def test_a_part_of_serial_site_or_customer_finds_the_unit_whatever_the_case(now, words):
    site = factories.site(name="Harbour Laundry", customer=factories.customer(name="Pellegrin & Sons"))
    wanted = factories.treatment_unit(serial="RO-77001", site=site)
    factories.treatment_unit(serial="XX-1")
    assert listed(FleetChoice(words=words), now) == [wanted.serial]


def test_all_words_must_fit(now):
    factories.treatment_unit(serial="RO-1", site=factories.site(name="Harbour Laundry"))
    assert listed(FleetChoice(words="harbour bakery"), now) == []


def test_each_filter_keeps_what_it_says(now):
    owed, due, decaying, quiet = (factories.treatment_unit(serial=f"U-{i}") for i in range(4))
    in_state(owed, now, readiness="flush_owed", owed_flush="carbon_fines", last_read_at=now)
    in_state(due, now, next_due_on=TODAY + timedelta(days=7), last_read_at=now)
    in_state(decaying, now, is_decaying=True, last_read_at=now)
    in_state(quiet, now, last_read_at=now - timedelta(days=46))
    assert listed(FleetChoice(readiness="flush_owed"), now) == ["U-0"]
    assert listed(FleetChoice(due_within_days=7), now) == ["U-1"]
    assert listed(FleetChoice(due_within_days=6), now) == []
    assert listed(FleetChoice(is_decaying=True), now) == ["U-2"]
    assert listed(FleetChoice(silent_days=45), now) == ["U-3"]
    assert listed(FleetChoice(area="Nowhere"), now) == []


@pytest.mark.parametrize("sort", SORTS)
def test_pages_of_every_sort_hold_every_unit_once(now, sort):
    site = factories.site()
    TreatmentUnit.objects.bulk_create(
        TreatmentUnit(serial=f"P-{i:03}", site=site, design_use_gal_per_day=9, design_permeate_gpm=1)
        for i in range(120)
    )
    pages = [listed(FleetChoice(sort=sort), now, page) for page in (1, 2, 3)]
    assert [len(page) for page in pages] == [50, 50, 20]
    assert len({serial for page in pages for serial in page}) == 120


def test_the_soonest_due_come_first_and_the_unknown_last(now):
    late, soon, unknown = (factories.treatment_unit(serial=f"D-{i}") for i in range(3))
    in_state(soon, now, next_due_on=TODAY + timedelta(days=3))
    in_state(late, now, next_due_on=TODAY - timedelta(days=3))
    assert listed(FleetChoice(sort="due"), now) == [late.serial, soon.serial, unknown.serial]


def test_the_page_asks_the_database_as_often_for_one_unit_as_for_fifty(planner, now):
    factories.work_order(factories.whole_unit())
    with CaptureQueriesContext(connection) as few:
        planner.get(reverse("fleet_list"))
    for _ in range(49):
        factories.work_order(factories.treatment_unit())
    with CaptureQueriesContext(connection) as many:
        answer = planner.get(reverse("fleet_list"))
    assert "1–50 of 50" in answer.content.decode()
    assert len(many) == len(few) <= 8


def test_htmx_gets_the_rows_alone_and_a_browser_the_whole_page(planner):
    factories.treatment_unit(serial="RO-5")
    part = planner.get(reverse("fleet_list"), {"q": "RO-5"}, headers={"HX-Request": "true"}).content.decode()
    whole = planner.get(reverse("fleet_list"), {"q": "RO-5"}).content.decode()
    assert "<html" not in part
    assert "<html" in whole
    assert "RO-5" in part
    assert "RO-5" in whole


def test_nonsense_in_the_address_shows_the_list_all_the_same(planner):
    factories.treatment_unit(serial="RO-5")
    asked = {"readiness": "x", "due": "x", "page": "minus one", "sort": "x", "area": "'; drop"}
    assert "RO-5" in planner.get(reverse("fleet_list"), asked).content.decode()


def test_the_file_holds_every_row_of_the_filter_and_no_formula(planner):
    site = factories.site(name="=HYPERLINK(1)")
    for i in range(60):
        factories.treatment_unit(serial=f"F-{i}", site=site)
    factories.treatment_unit(serial="Z-1")
    answer = planner.get(reverse("fleet_file", args=["csv"]), {"q": "F-"})
    lines = b"".join(answer).decode("utf-8-sig").splitlines()
    assert len(lines) == 61
    assert "'=HYPERLINK(1)" in lines[1]
    assert not any(cell.startswith("=") for line in lines for cell in line.split(","))


def test_an_empty_fleet_teaches_how_to_begin(planner):
    page = planner.get(reverse("fleet_list")).content.decode()
    assert reverse("import_template") in page


def test_a_person_of_one_branch_sees_that_branch_alone(client, now):
    mine, other = factories.site(), factories.site()
    factories.treatment_unit(serial="MINE-1", site=mine)
    factories.treatment_unit(serial="OTHER-1", site=other)
    client.force_login(factories.person("planner", branch=mine.branch))
    page = client.get(reverse("fleet_list")).content.decode()
    assert "MINE-1" in page
    assert "OTHER-1" not in page
    file = b"".join(client.get(reverse("fleet_file", args=["csv"]))).decode()
    assert "OTHER-1" not in file
    assert client.get(reverse("treatment_unit", args=["OTHER-1"])).status_code == 404
    assert client.get(reverse("site_page", args=[other.code])).status_code == 404


@pytest.mark.parametrize("name", ["fleet_list", "planner_overview", "import_fleet", "import_template"])
def test_a_technician_is_refused_with_a_page_that_says_so(client, name):
    client.force_login(factories.person("technician"))
    answer = client.get(reverse(name))
    assert answer.status_code == 403
    assert "Not for your role" in answer.content.decode()


def test_a_bare_unit_and_an_assessed_one_stand_side_by_side(planner, now):
    unit = factories.whole_unit(serial="WHOLE-1")
    factories.treatment_unit(serial="BARE-1")
    assess_units([unit.pk], now)
    page = planner.get(reverse("fleet_list")).content.decode()
    assert "Not assessed" in page
    assert re.search(r"</svg>\s*In service", page)
