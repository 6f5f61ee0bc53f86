"""Writes the template workbook and the workbook of refused rows."""

from collections.abc import Sequence
from datetime import date, datetime, time
from pathlib import Path

from openpyxl import Workbook
from openpyxl.cell.cell import Cell
from openpyxl.styles import Alignment, Font
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from fleet.workbook.cells import NO_TEXT, plain_value
from fleet.workbook.columns import Column, Kind, Sheet, listed
from fleet.workbook.files import COMMENT
from fleet.workbook.parse import WHAT_IS_WRONG, ParsedSheet
from shared.errors import RowProblem

_BOLD = Font(bold=True)
_WRAP = Alignment(wrap_text=True, vertical="top")
_HOW = [
    "One sheet per table; fill in what you have and leave the rest empty. Bold headers are required.",
    "Rows that begin with '# ' are remarks and left out; every sheet has an invented example in one.",
    "A measure stands in brackets in the header, e.g. total [gal]. Another listed one may stand there.",
    "If the header has no brackets, every cell may carry its own: 1200 L.",
    "Dates: real date cells, or text such as 2026-03-31 and 2026-03-31 14:30. Clock times are the site's.",
    "Numbers: digits with a point, no thousands separators.",
    "Bringing the same file in twice changes nothing. A blank cell leaves what stands.",
    "Readings, feed tests, flushes and prices are only added; all else may be corrected by a later file.",
]
_KINDS = {
    Kind.TEXT: "text", Kind.CODE: "letters, digits, - and _", Kind.EMAIL: "e-mail address",
    Kind.NUMBER: "number", Kind.WHOLE: "whole number", Kind.MONEY: "amount", Kind.FLAG: "yes or no",
    Kind.DATE: "day", Kind.MOMENT: "day and time", Kind.CLOCK: "clock time", Kind.WEEKDAYS: "weekdays",
    Kind.REGISTER: "number", Kind.CHOICE: "one of",
}  # fmt: skip


def write_template(path: Path, sheets: Sequence[Sheet]) -> None:
    """Write an empty workbook with every sheet, invented examples, and a page that explains them."""
    workbook = Workbook()
    page = workbook.active
    page.title = "read me"
    for line in _HOW:
        page.append([line])
    page.append([])
    headers = [
        "sheet",
        "column",
        "required",
        "what stands in it",
        "measures",
        "explanation",
        "example (invented)",
    ]
    page.append(headers)
    for cell in page[page.max_row]:
        cell.font = _BOLD
    for sheet in sheets:
        page.append([sheet.name, "", "", "", "", sheet.what])
        for column in sheet.columns:
            page.append(_explained(sheet, column))
            page.cell(page.max_row, 6).alignment = _WRAP
        _write_sheet(workbook.create_sheet(sheet.name), sheet)
    for letter, width in zip("ABCDEFG", (22, 32, 10, 34, 24, 70, 30), strict=True):
        page.column_dimensions[letter].width = width
    workbook.save(path)


def _explained(sheet: Sheet, column: Column) -> list[str]:
    allowed = _KINDS[column.kind]
    if column.choices:
        allowed += ": " + ", ".join(value for value, _label in column.choices)
    elif column.highest is not None and column.highest < 1e9:
        allowed += f", {column.lowest or 0:g} to {column.highest:g}"
    if column.refers_to:
        allowed = f"a code from the sheet {column.refers_to}"
    return [
        sheet.name, column.header, "yes" if column.is_required else "", allowed, listed(column.measures),
        column.what, "" if column.example is None else str(column.example),
    ]  # fmt: skip


def example_row(sheet: Sheet) -> list[object]:
    """Return the invented example of a sheet, a cell per column."""
    return [column.example for column in sheet.columns]


def _write_sheet(page: Worksheet, sheet: Sheet) -> None:
    for place, column in enumerate(sheet.columns, start=1):
        cell = page.cell(1, place, column.header)
        cell.font = Font(bold=column.is_required)
        page.column_dimensions[get_column_letter(place)].width = max(12, len(column.header) + 3)
    for place, value in enumerate(example_row(sheet), start=1):
        put(page.cell(2, place), value)
    first = page.cell(2, 1)
    put(first, f"{COMMENT}invented example: {'' if first.value is None else first.value}")
    page.freeze_panes = "A2"


def write_rest(path: Path, parsed: Sequence[ParsedSheet], problems: Sequence[RowProblem]) -> int:
    """Write the refused rows as they were met, with what is wrong beside them; return how many."""
    by_place: dict[tuple[str, int], list[str]] = {}
    for problem in problems:
        place = (problem.sheet, problem.row)
        by_place.setdefault(place, []).append(f"{problem.field}: {problem.message} {problem.remedy}".strip())
    workbook = Workbook()
    workbook.remove(workbook.active)
    written = 0
    for sheet in parsed:
        refused = [row for row in sheet.rows if row.is_refused]
        if not refused:
            continue
        page = workbook.create_sheet(sheet.sheet.name)
        kept = [i for i, header in enumerate(sheet.headers) if header and header != WHAT_IS_WRONG]
        for place, i in enumerate(kept, start=1):
            put(page.cell(1, place), sheet.headers[i])
        page.cell(1, len(kept) + 1, WHAT_IS_WRONG).font = _BOLD
        page.column_dimensions[get_column_letter(len(kept) + 1)].width = 90
        header_reasons = by_place.get((sheet.sheet.name, sheet.header_row), [])
        for line, row in enumerate(refused, start=2):
            for place, i in enumerate(kept, start=1):
                put(page.cell(line, place), row.raw.cells[i] if i < len(row.raw.cells) else None)
            reasons = by_place.get((sheet.sheet.name, row.number), header_reasons)
            put(page.cell(line, len(kept) + 1), " | ".join(reasons)[:32_000])
            written += 1
    if not workbook.sheetnames:
        workbook.create_sheet("read me").append(["Nothing was left."])
    workbook.save(path)
    return written


def put(cell: Cell, value: object) -> None:
    """Put a value into a cell; text stays text, so that nothing becomes a formula."""
    value = plain_value(value)
    if isinstance(value, datetime) and value.tzinfo is not None:
        value = value.isoformat()
    if value is None or isinstance(value, bool | int | float | date | time):
        is_odd = isinstance(value, float) and value != value
        cell.value = str(value) if is_odd else value
        return
    cell.value = NO_TEXT.sub("�", str(value))[:32_767]
    cell.data_type = "s"
