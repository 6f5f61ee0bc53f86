"""What the books say was paid: every wrong row named, all or nothing, and once."""

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import CommandError, call_command
from django.db import IntegrityError, transaction
from django.urls import reverse

from scheduling.billing import invoicing, payments
from scheduling.billing.invoicing import invoices
from scheduling.models import PaidFile, PaidLine, TaxRate
from shared.errors import DomainError
from tests import factories as make

pytestmark = pytest.mark.django_db
NOV = datetime(2026, 11, 2, 15, 0, tzinfo=UTC)
HEAD = "batch,line,customer,paid_on,amount,reference\n"


@pytest.fixture
def batch():
    """Two customers, a plan each, a tax line each: lines 1 to 4."""
    TaxRate.objects.create(code="ST", name="Tax", percent=Decimal("10"), from_on=date(2020, 1, 1))
    for code in ("K1", "K2"):
        make.plan(make.site(customer=make.customer(code=code)), amount="60.00", starts_on=date(2026, 10, 1))
    return invoicing.end_month(date(2026, 10, 1), currency="USD", by=None, now=NOV).batch


@pytest.fixture
def read(tmp_path):
    def read(rows: str, head: str = HEAD):
        path = tmp_path / "paid.csv"
        path.write_text(head + rows, encoding="utf-8")
        return payments.read_paid(path, by=None, now=NOV)

    return read


def test_lines_are_paid_one_by_one_or_by_customer(batch, read):
    found = read(f"{batch},1,,2026-11-01,60.00,bank 1\n{batch},,K2,2026-11-02,66.00,bank 2\n")
    assert (found.problems, found.paid) == ([], 3)
    (row,) = invoices(make.TODAY)["batches"]
    assert (row.paid_lines, row.lines.count(), row.paid, row.open) == (
        3,
        4,
        Decimal("126.00"),
        Decimal("6.00"),
    )
    assert row.newest_paid_on == date(2026, 11, 2)


def test_a_day_is_in_the_future_by_the_offices_own_clock(batch, tmp_path):
    path = tmp_path / "paid.csv"
    path.write_text(f"{HEAD}{batch},1,,2026-11-03,60.00,\n", encoding="utf-8")
    evening = datetime(2026, 11, 3, 1, tzinfo=UTC)  # 19:00 on 2 November in Chicago
    early = payments.read_paid(path, by=None, now=evening)
    assert [(problem.field, problem.message) for problem in early.problems] == [
        ("paid_on", "This day is in the future.")
    ]
    assert payments.read_paid(path, by=None, now=evening + timedelta(hours=5)).paid == 1


def test_the_same_file_again_changes_nothing(batch, read):
    rows = f"{batch},,K1,2026-11-01,66.00,\n"
    assert read(rows).paid == 2
    again = read(rows)
    assert (again.paid, again.unchanged, again.file) == (0, 2, None)
    assert (PaidFile.objects.count(), PaidLine.objects.count()) == (1, 2)


@pytest.mark.parametrize(
    ("row", "field", "words"),
    [
        ("B99999,1,,2026-11-01,,", "batch", "no batch"),
        ("{b},9,,2026-11-01,,", "line", "no such line"),
        ("{b},,K9,2026-11-01,,", "customer", "no such customer"),
        ("{b},,,2026-11-01,,", "line", "Neither a line nor a customer"),
        ("{b},1,,2026-12-24,,", "paid_on", "future"),
        ("{b},1,,soon,,", "paid_on", ""),
        ("{b},1,,,,", "paid_on", ""),
        ("{b},1,,2026-11-01,59.99,", "amount", "60.00 is owed"),
        ("{b},2,,2026-11-01,,\n{b},2,,2026-11-01,,", "line", "already"),
    ],
)
def test_a_wrong_row_is_named_and_nothing_is_written(batch, read, row, field, words):
    found = read(f"{batch},3,,2026-11-01,60.00,good\n" + row.format(b=batch) + "\n")
    (problem,) = found.problems
    assert (problem.field, problem.row) == (field, 3 + row.count("\n"))
    assert words in problem.message
    assert not PaidLine.objects.exists()


def test_another_day_for_a_paid_line_is_refused_until_the_file_is_taken_back(batch, read):
    first = read(f"{batch},1,,2026-11-01,,\n")
    (problem,) = read(f"{batch},1,,2026-11-02,,\n").problems
    assert "paid on 2026-11-01 already" in problem.message
    payments.void(first.file, by=None, now=NOV)
    assert invoices(make.TODAY)["batches"][0].paid_lines == 0
    assert read(f"{batch},1,,2026-11-02,,\n").paid == 1
    assert PaidLine.objects.count() == 2


def test_the_database_keeps_a_line_from_being_paid_twice(batch, read):
    file = read(f"{batch},1,,2026-11-01,,\n").file
    with pytest.raises(IntegrityError), transaction.atomic():
        PaidLine.objects.create(line=batch.lines.first(), file=file, paid_on=date(2026, 11, 2))


def test_a_file_without_its_columns_or_without_a_table_is_refused(batch, read):
    assert read(f"{batch},1\n", head="batch,number\n").problems
    with pytest.raises(DomainError, match="one is wanted"):
        read("", head="")


def test_by_command(batch, tmp_path, capsys):
    path = tmp_path / "november.csv"
    path.write_text(f"{HEAD}{batch},7,,2026-11-01,,\n", encoding="utf-8")
    with pytest.raises(CommandError, match="Nothing was written"):
        call_command("import_paid", str(path))
    assert "row 2, line = '7'" in capsys.readouterr().err
    path.write_text(f"{HEAD}{batch},1,,2026-11-01,,\n", encoding="utf-8")
    call_command("import_paid", str(path))
    assert "1 paid" in capsys.readouterr().out
    call_command("import_paid", columns=True)
    assert "reference" in capsys.readouterr().out


def test_by_page(batch, client, time_machine):
    time_machine.move_to(NOV, tick=False)
    client.force_login(make.person("owner"))

    def send(rows: str):
        file = SimpleUploadedFile("paid.csv", (HEAD + rows).encode())
        return client.post(reverse("read_paid_file"), {"file": file})

    wrong = send(f"{batch},9,,2026-11-01,,\n")
    assert wrong.status_code == 422
    assert "no such line" in wrong.content.decode()
    assert send(f"{batch},1,,2026-11-01,,\n").status_code == 302
    page = client.get(reverse("invoices")).content.decode()
    assert "1 of 4 lines" in page
    client.post(reverse("take_back_paid_file", args=[PaidFile.objects.get().pk]))
    assert "Nothing yet" in client.get(reverse("invoices")).content.decode()
