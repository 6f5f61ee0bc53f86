"""Bringing a workbook in through the pages: look first, then write; nothing half-written."""

import io

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from openpyxl import Workbook

from fleet.models import Customer
from tests import factories

pytestmark = pytest.mark.django_db(transaction=True)


def workbook(*customers: tuple) -> SimpleUploadedFile:
    """A workbook with a sheet of customers."""
    book = Workbook()
    sheet = book.active
    sheet.title = "customers"
    sheet.append(["code", "name", "email"])
    for row in customers:
        sheet.append(row)
    file = io.BytesIO()
    book.save(file)
    return SimpleUploadedFile("fleet.xlsx", file.getvalue())


@pytest.fixture
def planner(client, settings, tmp_path):
    settings.DATA_DIR = tmp_path
    client.force_login(factories.person("planner"))
    return client


def test_nothing_is_written_until_it_is_accepted(planner):
    answer = planner.post(reverse("import_fleet"), {"workbook": workbook(("C1", "First", "a@example.org"))})
    page = planner.get(answer.url).content.decode()
    assert "Nothing is wrong" in page
    assert not Customer.objects.exists()
    done = planner.post(answer.url, {"accept": "all"}, follow=True)
    assert "1 row was written" in done.content.decode()
    assert Customer.objects.get().name == "First"


def test_a_wrong_cell_is_named_with_its_row_and_good_rows_may_go_in_alone(planner):
    rows = [("C1", "First", "a@example.org"), ("C2", "Second", "not an address")]
    answer = planner.post(reverse("import_fleet"), {"workbook": workbook(*rows)})
    page = planner.get(answer.url).content.decode()
    assert "not an address" in page
    assert "email" in page
    refused = planner.post(answer.url, {"accept": "all"}, follow=True).content.decode()
    assert "Nothing was written" in refused
    assert not Customer.objects.exists()
    planner.post(answer.url, {"accept": "good"})
    assert [customer.code for customer in Customer.objects.all()] == ["C1"]


def test_the_refused_rows_come_back_as_a_workbook(planner):
    answer = planner.post(reverse("import_fleet"), {"workbook": workbook(("C2", "Second", "not an address"))})
    file = planner.get(f"{answer.url}to-mend.xlsx")
    assert b"".join(file.streaming_content).startswith(b"PK")


def test_what_is_no_workbook_is_refused_beside_its_field(planner):
    upload = SimpleUploadedFile("fleet.pdf", b"%PDF")
    answer = planner.post(reverse("import_fleet"), {"workbook": upload})
    assert answer.status_code == 422
    assert "no .xlsx, .xls, .ods or .csv file" in answer.content.decode()


def test_a_broken_workbook_is_told_not_thrown(planner):
    upload = SimpleUploadedFile("fleet.xlsx", b"not a zip at all")
    answer = planner.post(reverse("import_fleet"), {"workbook": upload})
    page = planner.get(answer.url).content.decode()
    assert "It failed." in page
    assert "Save it as Excel workbook" in page


def test_one_persons_upload_is_not_anothers(planner, client):
    answer = planner.post(reverse("import_fleet"), {"workbook": workbook(("C1", "First", ""))})
    client.force_login(factories.person("planner"))
    assert client.get(answer.url).status_code == 404


def test_the_template_is_a_workbook(planner):
    answer = planner.get(reverse("import_template"))
    assert b"".join(answer.streaming_content).startswith(b"PK")


def test_what_was_brought_in_before_is_listed_under_its_address(planner):
    answer = planner.post(reverse("import_fleet"), {"workbook": workbook(("C1", "First", "a@example.org"))})
    planner.post(answer.url, {"accept": "all"})
    page = planner.get(reverse("import_fleet")).content.decode()
    assert page.count(answer.url) == 1
    assert "1 row written" in page


def test_writing_the_same_upload_twice_writes_it_once(planner):
    answer = planner.post(reverse("import_fleet"), {"workbook": workbook(("C1", "First", "a@example.org"))})
    planner.post(answer.url, {"accept": "all"})
    again = planner.post(answer.url, {"accept": "all"}, follow=True).content.decode()
    assert "no longer kept" in again
    assert Customer.objects.count() == 1
