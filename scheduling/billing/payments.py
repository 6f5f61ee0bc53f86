"""The file in which the books say what was paid.

Takes from the books which invoice lines were paid. A file read twice changes nothing.
"""

from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Final

from django.conf import settings
from django.db import transaction

from fleet.models import Person
from fleet.workbook.columns import Column, Kind, Sheet
from fleet.workbook.files import RawSheet, read_source
from fleet.workbook.parse import ParsedSheet, Row, parse_sheet, shown
from scheduling.models import InvoiceLine, PaidFile, PaidLine
from shared.errors import DomainError, RowProblem
from shared.messages import message
from shared.money import to_cents
from shared.periods import local_day

PAID_LINES: Final = Sheet(
    "paid",
    "Invoice lines that were paid in full: one row a line, or one for a customer's lines in a batch.",
    columns=(
        Column("batch", Kind.TEXT, "Batch as in the file handed over, e.g. B00007.", is_required=True,
               max_length=20, example="B00007"),
        Column("line", Kind.WHOLE, "Number of the line in the batch; blank: every line of the customer.",
               lowest=1, highest=2_000_000_000, example=12),
        Column("customer", Kind.TEXT, "Customer code; needed where line is blank.", max_length=40,
               example="K001"),
        Column("paid_on", Kind.DATE, "Day of payment.", is_required=True, is_past=True, example="2026-11-12"),
        Column("amount", Kind.MONEY, "What was paid, tax lines included; if given, it must be what is owed.",
               lowest=-9_999_999_999, highest=9_999_999_999, example="64.13"),
        Column("reference", Kind.TEXT, "Your number of the payment.", max_length=80, example="bank 2211"),
    ),
    key=(),
)  # fmt: skip

BATCH: Final = 2000


@dataclass
class PaidReport:
    """What came of a file."""

    rows: int = 0
    paid: int = 0
    """Lines marked paid by it."""
    unchanged: int = 0
    """Lines that stood so already."""
    problems: list[RowProblem] = field(default_factory=list)
    file: PaidFile | None = None
    """None when nothing was written."""


@transaction.atomic
def read_paid(path: Path, *, by: Person | None, now: datetime) -> PaidReport:
    """Mark the lines of a CSV or workbook as paid.

    Nothing is written when any row is wrong; each wrong row is named. Raises DomainError for an unreadable
    file.
    """
    sheets = [sheet for sheet in read_source(path) if sheet.headers]
    if len(sheets) != 1:
        raise DomainError(
            message("{name} has {sheets} tables; one is wanted.", name=path.name, sheets=len(sheets)),
            remedy=message("Save it as CSV UTF-8."),
        )
    raw = sheets[0]
    parsed = parse_sheet(PAID_LINES, RawSheet(PAID_LINES.name, raw.headers, raw.rows, raw.header_row))
    report = PaidReport(rows=len(parsed.rows), problems=parsed.problems)
    fresh = _fresh(parsed, report, now)
    if report.problems or not fresh:
        report.paid = 0
        return report
    report.file = PaidFile.objects.create(name=path.name[:160], read_at=now, read_by=by)
    for line in fresh:
        line.file = report.file
    PaidLine.objects.bulk_create(fresh, batch_size=BATCH)
    report.paid = len(fresh)
    return report


@transaction.atomic
def void(file: PaidFile, *, by: Person | None, now: datetime) -> PaidFile:
    """Make a file's lines unpaid again; its rows stay. Doing so again changes nothing."""
    file = file.void(by=by, now=now)
    file.lines.update(counts=False)
    return file


def _fresh(parsed: ParsedSheet, report: PaidReport, now: datetime) -> list[PaidLine]:
    """Return what good rows pay that is not paid yet; rows that make no sense become problems."""
    batches = {number for row in parsed.good_rows if (number := _batch_number(row)) is not None}
    by_batch: dict[int, list[InvoiceLine]] = {}
    for line in InvoiceLine.objects.filter(batch__in=batches).order_by("batch", "number"):
        by_batch.setdefault(line.batch_id, []).append(line)
    paid = {
        line.line_id: line for line in PaidLine.objects.filter(counts=True, line__batch__in=list(by_batch))
    }
    named: dict[int, Row] = {}
    fresh: list[PaidLine] = []
    for row in parsed.good_rows:
        try:
            for line in _meant(row, by_batch, now):
                if line := _unpaid(row, line, named.setdefault(line.pk, row), paid.get(line.pk)):
                    fresh.append(line)
                else:
                    report.unchanged += 1
        except DomainError as error:
            row.is_refused = True
            value = shown(row.get(error.field, ""))
            report.problems.append(
                RowProblem(row.sheet, row.number, error.field, value, error.message, error.remedy)
            )
    return fresh


def _unpaid(row: Row, line: InvoiceLine, first: Row, paid: PaidLine | None) -> PaidLine | None:
    """Return the payment of a line, None where it is written down already."""
    if first is not row:
        raise DomainError(
            message("Row {number} pays line {number2} already.", number=first.number, number2=line.number),
            remedy=message("Keep one of the two rows."),
            field="line",
        )
    paid_on = row.values["paid_on"]
    if paid is None:
        return PaidLine(line=line, paid_on=paid_on, reference=row.get("reference", ""))
    if paid.paid_on != paid_on:
        raise DomainError(
            message("Line {number} was paid on {paid_on} already.", number=line.number, paid_on=paid.paid_on),
            remedy=message("Take the earlier file back if that was wrong."),
            field="paid_on",
        )
    return None


def _batch_number(row: Row) -> int | None:
    digits = row.values["batch"].strip().upper().removeprefix("B")
    return int(digits) if digits.isascii() and digits.isdigit() and len(digits) < 10 else None


def _meant(row: Row, by_batch: dict[int, list[InvoiceLine]], now: datetime) -> list[InvoiceLine]:
    """Return the lines a row pays. Raises DomainError when it makes no sense."""
    lines = by_batch.get(_batch_number(row) or 0)
    if lines is None:
        raise DomainError(
            message("There is no batch of this number."),
            remedy=message("Write it as in our file."),
            field="batch",
        )
    number, customer = row.get("line"), row.get("customer")
    if number is None and customer is None:
        raise DomainError(
            message("Neither a line nor a customer is named."),
            remedy=message("Fill in one of the two."),
            field="line",
        )
    meant = [
        line
        for line in lines
        if (number is None or line.number == number) and (customer is None or line.customer_code == customer)
    ]
    if not meant:
        what = "line" if number is not None else "customer"
        raise DomainError(
            message("The batch has no such {what}.", what=what),
            remedy=message("Compare with the file handed over."),
            field=what,
        )
    if row.values["paid_on"] > local_day(now, settings.TIME_ZONE):
        raise DomainError(
            message("This day is in the future."),
            remedy=message("Check year, month and day."),
            field="paid_on",
        )
    owed = to_cents(sum((line.amount for line in meant), Decimal(0)))
    if row.get("amount") is not None and to_cents(Decimal(row.values["amount"])) != owed:
        raise DomainError(
            message("{owed} is owed, not this.", owed=owed),
            remedy=message("Only lines paid in full are marked; correct the amount or leave the row out."),
            field="amount",
        )
    return meant
