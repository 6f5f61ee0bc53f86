"""Lists as CSV or XLSX. Numbers and days stay numbers and days; text can never act as a formula."""

import csv
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from decimal import Decimal
from typing import Any, Final

from django.http import FileResponse, Http404, HttpRequest, HttpResponseBase, StreamingHttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.functional import Promise
from django.utils.translation import get_language, gettext, override
from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.styles import Font
from openpyxl.worksheet.worksheet import Worksheet

FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%")
"""A spreadsheet may run a cell that begins so (OWASP, CSV injection)."""
PLAIN: Final = (str, int, float, Decimal, date, type(None))
XLSX_TYPE: Final = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


@dataclass(frozen=True)
class Column:
    """One column of a download: its heading and how to get its value from a row."""

    title: str
    value: Callable[[Any], object]
    is_money: bool = False


def table_file(name: str, form: str, columns: Sequence[Column], rows: Iterable) -> HttpResponseBase:
    """Return a list as a file. ``form`` is csv or xlsx; anything else is not found."""
    columns = [replace(column, title=gettext(column.title) if column.title else "") for column in columns]
    if form == "csv":
        response = StreamingHttpResponse(
            _csv_lines(columns, rows, get_language()), content_type="text/csv; charset=utf-8"
        )
        response["Content-Disposition"] = f'attachment; filename="{name}.csv"'
        return response
    if form == "xlsx":
        file = _workbook(name, columns, rows)
        return FileResponse(file, as_attachment=True, filename=f"{name}.xlsx", content_type=XLSX_TYPE)
    raise Http404(gettext("Lists come as csv or xlsx."))


@dataclass(frozen=True)
class ListFile:
    """A list that a page shows, as a file: the same rows under the same filter, all pages of it."""

    name: str
    columns: Sequence[Column]
    rows: Callable[[], Iterable]


def asked_file(request: HttpRequest, **lists: ListFile) -> HttpResponseBase | None:
    """Return the file asked for by ``as`` and ``list`` in this page's own address; None for the page itself.

    Pages link them with the tag ``list_files``.
    """
    form = request.GET.get("as", "")
    if not form or request.method != "GET":
        return None
    found = lists.get(request.GET.get("list", ""))
    if found is None:
        raise Http404(gettext("This page has no such list."))
    return table_file(found.name, form, found.columns, found.rows())


def page_or_file(
    request: HttpRequest, template: str, context: dict[str, Any], *, status: int = 200, **lists: ListFile
) -> HttpResponseBase:
    """Return the page, or the one of its lists that its own address asks for as a file."""
    return asked_file(request, **lists) or render(request, template, context, status=status)


def columns(**titles: str) -> list[Column]:
    """Return columns by a row's attributes: ``columns(code="Code", site__name="Site")``.

    A double underscore goes down a step; what can be called is called; what is no plain value is written out.
    """
    return [Column(title, _reader(path.split("__"))) for path, title in titles.items()]


def _reader(steps: list[str]) -> Callable[[Any], object]:
    def read(row: Any) -> object:
        for step in steps:
            row = None if row is None else getattr(row, step)
            row = row() if callable(row) else row
        return row if isinstance(row, PLAIN) else str(row)

    return read


def guarded(text: str) -> str:
    """Return text that no spreadsheet takes for a formula."""
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text


def _csv_lines(columns: Sequence[Column], rows: Iterable, language: str | None) -> Iterator[str]:
    buffer = io.StringIO()
    writer = csv.writer(buffer)
    yield "\ufeff"
    writer.writerow([column.title for column in columns])
    for row in rows:
        # Lines are made while they are sent, when the language of the request is no longer set.
        with override(language):
            cells = [_csv_value(_plain(column.value(row))) for column in columns]
        writer.writerow(cells)
        if buffer.tell() > 32_000:
            yield buffer.getvalue()
            buffer.seek(0)
            buffer.truncate()
    yield buffer.getvalue()


def _plain(value: object) -> object:
    """Return a value whose words are set in the reader's language."""
    return str(value) if isinstance(value, Promise) else value


def _csv_value(value: object) -> object:
    if isinstance(value, str):
        return guarded(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return timezone.localtime(value).isoformat(timespec="minutes")
    return "" if value is None else value


def _workbook(name: str, columns: Sequence[Column], rows: Iterable) -> io.BytesIO:
    book = Workbook(write_only=True)
    sheet = book.create_sheet(name[:31])
    sheet.freeze_panes = "A2"
    sheet.append([_heading(sheet, column.title) for column in columns])
    for row in rows:
        sheet.append([_cell(sheet, _plain(column.value(row)), column.is_money) for column in columns])
    file = io.BytesIO()
    book.save(file)
    file.seek(0)
    return file


def _heading(sheet: Worksheet, title: str) -> WriteOnlyCell:
    cell = WriteOnlyCell(sheet, value=title)
    cell.font = Font(bold=True)
    return cell


def _cell(sheet: Worksheet, value: object, is_money: bool) -> WriteOnlyCell:
    if isinstance(value, datetime):
        value = timezone.localtime(value).replace(tzinfo=None)
    if isinstance(value, str):
        cell = WriteOnlyCell(sheet, value=ILLEGAL_CHARACTERS_RE.sub(" ", value))
        cell.data_type = "s"
        return cell
    cell = WriteOnlyCell(sheet, value=value)
    if is_money and isinstance(value, Decimal):
        cell.number_format = "#,##0.00;[Red]-#,##0.00"
    elif isinstance(value, datetime):
        cell.number_format = "yyyy-mm-dd hh:mm"
    elif isinstance(value, date):
        cell.number_format = "yyyy-mm-dd"
    return cell
