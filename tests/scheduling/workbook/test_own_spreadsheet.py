"""A company's own workbook comes in through the pages as it is, and means what it said."""

import random
from datetime import date, datetime, time, timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from fleet.models import Customer, Flush, MeterReading, Part, Person, Site, TreatmentUnit
from fleet.workbook.files import read_cells
from scheduling.models import LongJob, ServicePlan, SpreadsheetMapping
from scheduling.workbook.mapping.lives import Lives
from scheduling.workbook.mapping.own_files import first_choices
from scheduling.workbook.mapping.tables import find_tables
from scheduling.workbook.mapping.targets import guess, names_all_filters, roles_in
from scheduling.workbook.mapping.values import (
    DateOrder,
    commas_are_points,
    date_order_of,
    read_date,
    read_number,
)
from shared.measures import Measure
from tests import factories
from tests.scheduling.workbook.own_spreadsheet import TODAY, write_own_spreadsheet

WHOLE = {
    "date_order": "mdy", "meter_measure": "gal", "go_live_on": TODAY.isoformat(), "use_gal_per_day": "50",
    "permeate_gpm": "0.5", "save_as": "Machine list", "look": "1",
}  # fmt: skip


@pytest.mark.parametrize(
    ("written", "value", "measure"),
    [
        ("48,210", 48210, None), ("$24.00", 24, None), ("450ppm", 450, Measure.MG_PER_LITRE),
        ("15gr", 15, Measure.GRAIN_PER_GAL), ("48.2K", 48200, None), ("45%", 0.45, None),
        ("1 234", 1234, None), ("~600 gpd", 600, Measure.GAL_PER_DAY), ("1,234.5", 1234.5, None),
        ("-3", -3, None),
        ("182.4 L", 182.4, Measure.LITRE),
    ],
)  # fmt: skip
def test_numbers_are_read_as_people_write_them(written, value, measure):
    number = read_number(written)
    assert number.value == pytest.approx(value)
    assert number.measure is measure


@pytest.mark.parametrize("written", ["12,5", "abc", "5 apples", "", "#N/A", "1,23,4"])
def test_a_number_that_could_be_read_in_two_ways_is_none(written):
    assert read_number(written) is None


def test_a_columns_own_commas_say_what_they_are():
    assert commas_are_points(["12,5", "1.234,5"])
    assert not commas_are_points(["48,210", "1,204", "7"])
    assert read_number("1.234,5", comma_is_point=True).value == 1234.5


def test_every_day_of_a_year_is_read_back_from_each_form():
    dice = random.Random(3)
    for _ in range(200):
        day = date.fromordinal(dice.randrange(date(1995, 1, 1).toordinal(), date(2027, 1, 1).toordinal()))
        wanted = datetime.combine(day, datetime.min.time())
        for form in ("%m/%d/%Y", "%b %d, %Y", "%d %B %Y", "%Y-%m-%d"):
            assert read_date(day.strftime(form), DateOrder.MONTH_FIRST) == wanted
        assert read_date(day.strftime("%d.%m.%Y"), DateOrder.DAY_FIRST) == wanted


def test_a_column_says_its_order_only_where_it_can_be_seen():
    assert date_order_of(["3/4/2024", "3/25/2024"]) is DateOrder.MONTH_FIRST
    assert date_order_of(["3/4/2024", "25/3/2024"]) is DateOrder.DAY_FIRST
    assert date_order_of(["3/4/2024", "5/6/2024"]) is None
    assert read_date("31/31/2024", DateOrder.MONTH_FIRST) is None
    assert read_date("12", DateOrder.MONTH_FIRST) is None, "a bare number in text is no day"


@pytest.mark.parametrize(
    ("text", "roles"),
    [
        ("Replaced sediment and carbon", {"sediment", "carbon"}),
        ("carbon changed, membrane next visit", {"carbon"}),
        ("needs new membrane, swapped 5 mic", {"sediment"}),
        ("post carbon and sed", {"post_carbon", "sediment"}),
        ("checked TDS, all ok", set()),
    ],
)
def test_work_in_free_words_names_the_parts_that_were_changed(text, roles):
    assert roles_in(text) == roles
    assert names_all_filters("changed filters")
    assert not names_all_filters("did not change filters")


@pytest.fixture
def planner(client, settings, tmp_path):
    settings.DATA_DIR = tmp_path / "data"
    factories.branch()
    person = factories.person("owner")
    client.force_login(person)
    return client


def upload(client, path):
    file = SimpleUploadedFile(path.name, path.read_bytes())
    return client.post(reverse("import_fleet"), {"workbook": file}).url


def answers(path) -> dict[str, str]:
    """What the page has chosen already, as a browser would send it."""
    tables = find_tables(read_cells(path))
    return {
        f"column-{n}-{i}": target for n, table in enumerate(tables) for i, target in enumerate(guess(table))
    }


@pytest.mark.django_db(transaction=True)
def test_the_file_as_it_is_comes_in_whole(planner, tmp_path):
    path = tmp_path / "machines.xlsx"
    truth = write_own_spreadsheet(path, units=24, visits=150)
    address = upload(planner, path)
    assert "This file has columns of its own" in planner.get(address).content.decode()
    page = planner.get(f"{address}columns/").content.decode()
    assert "ROUTE 1" in page
    looked = planner.post(f"{address}columns/", {**answers(path), **WHOLE}, follow=True).content.decode()
    assert "Nothing is wrong with this workbook" in looked
    assert not Customer.objects.exists()
    planner.post(address, {"accept": "all"})
    assert Customer.objects.count() == truth["customers"]
    assert Site.objects.count() == truth["sites"]
    for model in (TreatmentUnit, MeterReading, ServicePlan):
        assert model.objects.count() == truth["units"]
    in_place = Part.objects.filter(removed_at=None)
    assert in_place.count() == 3 * truth["units"], "the days in the machine list are what is in place"
    assert Part.objects.count() > in_place.count() + 50, "past visits became lives"
    assert not Part.objects.exclude(removed_at=None).exclude(removal_reason="unknown").exists()
    assert Flush.objects.count() == 2 * truth["units"], "what lies before the go-live date owes nothing"
    again = upload(planner, path)
    assert "Machine list" in planner.get(f"{again}columns/").content.decode(), "its answers are kept"
    looked = planner.post(f"{again}columns/", {**answers(path), **WHOLE}, follow=True).content.decode()
    counts = LongJob.objects.first().answer["counts"]
    changed = {name: count["added"] + count["changed"] for name, count in counts.items()}
    assert not any(changed.values()), changed
    assert not LongJob.objects.first().answer["problems"]
    assert "nothing in it is new" in looked


@pytest.mark.django_db(transaction=True)
def test_a_file_without_a_table_is_told_with_its_remedy(planner, tmp_path):
    path = tmp_path / "note.csv"
    path.write_text("only words\n")
    page = planner.get(upload(planner, path) + "columns/", follow=True).content.decode()
    assert "Put the names of the columns above the rows" in page


@pytest.mark.django_db(transaction=True)
def test_another_persons_upload_is_not_matched(planner, tmp_path, client):
    path = tmp_path / "machines.xlsx"
    write_own_spreadsheet(path, units=3, visits=0)
    address = upload(planner, path)
    client.force_login(Person.objects.create_user("other", role="planner"))
    assert client.get(f"{address}columns/").status_code == 404
    assert not SpreadsheetMapping.objects.exists()


def test_a_visit_that_changed_nothing_makes_no_life_and_what_is_new_owes_its_flush():
    lives = Lives({}, TODAY - timedelta(days=30))
    old, new = (datetime.combine(TODAY - timedelta(days=days), time()) for days in (400, 10))
    for at, work in ((old, "changed filters"), (new, "carbon block"), (new, "checked TDS, all ok")):
        lives.visit("TU-1", at, work, "log 1")
    parts, flushes = lives.rows(lambda name, role: role.upper(), {"CARBON": "carbon", "SEDIMENT": "sediment"})
    told = {(row["position"], row["installed_at"], row.get("removed_at")) for row in parts}
    assert told == {("sediment", old, None), ("carbon", old, new), ("carbon", new, None)}
    assert flushes == [], "the carbon of ten days ago may still owe it"
    lives.go_live_on = TODAY
    _, flushes = lives.rows(lambda name, role: role.upper(), {"CARBON": "carbon"})
    assert [row["position"] for row in flushes] == ["carbon"]


def test_the_offered_go_live_date_leaves_the_last_month_to_be_looked_at():
    assert first_choices([], None, today=TODAY).go_live_on == TODAY - timedelta(days=30)
