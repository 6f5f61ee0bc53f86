"""Reads a workbook, a folder of CSV, or rows in memory into raw sheets. No cell is judged here."""

import csv
import re
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from html import unescape
from pathlib import Path

from python_calamine import CalamineError, CalamineWorkbook

from fleet.workbook.cells import is_blank
from fleet.workbook.guard import (
    FORMULA_OR_ERROR,
    MOST_ROWS,
    check_ods,
    check_size,
    check_xlsx,
    column_number,
    unreadable,
)
from shared.errors import DomainError
from shared.messages import message

_WHOLE_CELL = re.compile(rb"<(?:\w+:)?c(\s[^>]*[^>/])>(.*?)</(?:\w+:)?c>", re.DOTALL)
_VALUE = re.compile(rb"<(?:\w+:)?v(?:\s[^>]*)?>([^<]+)</")
_NAMED_PLACE = re.compile(r"([A-Za-z]{1,4})(\d{1,9})")
_ATTRIBUTE = re.compile(r"""(?:\w+:)?(\w+)\s*=\s*["']([^"']*)["']""")
_LINKS = "xl/_rels/workbook.xml.rels"
_LINK = re.compile(r"<(?:\w+:)?Relationship\s[^>]*>")
_SHEET = re.compile(r"<(?:\w+:)?sheet\s[^>]*>")
UNCOMPUTED = "#FORMULA!"
"""Stands for a formula that was saved without its value."""
READ_ME = "read_me"
COMMENT = "# "
"""A row or a column that begins so is the office's own remark."""


@dataclass(frozen=True)
class RawRow:
    """One row as met: its number in the file, its cells by header place."""

    number: int
    cells: list[object]


@dataclass(frozen=True)
class RawSheet:
    """One sheet as met."""

    name: str
    headers: list[str]
    rows: list[RawRow]
    header_row: int = 1


Source = Path | str | Mapping[str, Iterable[Mapping[str, object]]]


def read_source(source: Source) -> list[RawSheet]:
    """Return the raw sheets of a workbook (.xlsx, .xls, .ods), a folder of CSV, or rows in memory.

    Raises DomainError when nothing can be read. Sheet names lose case and spaces; a sheet named "read me" and
    rows that begin with '# ' are left out.
    """
    if isinstance(source, Mapping):
        return [_from_rows(name, rows) for name, rows in source.items()]
    path = Path(source)
    if path.is_dir():
        return _from_folder(path)
    if not path.is_file():
        raise DomainError(message("There is no file {path}.", path=path), remedy=message("Check the path."))
    if path.suffix.lower() == ".csv":
        return [_from_csv(path)]
    return _from_workbook(path)


def plain_name(text: str) -> str:
    """Return a sheet's or column's name without case and spaces."""
    return "_".join(text.strip().lower().split())


def _from_rows(name: str, rows: Iterable[Mapping[str, object]]) -> RawSheet:
    if hasattr(rows, "to_dict"):
        # In a frame NaN and NaT stand for an empty cell; elsewhere they are refused.
        rows = rows.astype(object).where(rows.notna(), None).to_dict("records")
    listed = list(rows)
    headers = list(dict.fromkeys(key for row in listed for key in row))
    raw = [RawRow(number, [row.get(key) for key in headers]) for number, row in enumerate(listed, start=2)]
    return RawSheet(plain_name(name), [str(header) for header in headers], raw)


def _from_workbook(path: Path) -> list[RawSheet]:
    cells = read_cells(path)
    return [
        _from_table(plain_name(name), table) for name, table in cells.items() if plain_name(name) != READ_ME
    ]


def read_cells(path: Path) -> dict[str, list[list[object]]]:
    """Return every sheet's cells as they stand: .xlsx, .xls, .ods or .csv. Raises DomainError."""
    suffix = path.suffix.lower()
    if suffix == ".csv":
        return {path.stem: _csv_cells(path)}
    with_formulas = check_xlsx(path) if suffix == ".xlsx" else []
    if suffix == ".ods":
        check_ods(path)
    check_size(path)
    unread = _unread_cells(path, with_formulas) if with_formulas else {}
    try:
        with CalamineWorkbook.from_path(path) as workbook:
            return {
                name: _with_unread(workbook.get_sheet_by_name(name).to_python(False), unread.get(name, []))
                for name in workbook.sheet_names
            }
    except BaseException as error:
        # A defect inside the reader arrives as a PanicException, which is no Exception.
        if isinstance(error, CalamineError) or type(error).__name__ == "PanicException":
            raise unreadable(path) from error
        raise


Unread = tuple[int, int, str]
"""Row and column, from 0, of a cell that the reader takes for blank, and what stands there instead."""


def _unread_cells(path: Path, entries: list[str]) -> dict[str, list[Unread]]:
    """Return error cells and formulas that were never computed, by sheet. Raises DomainError."""
    found: dict[str, list[Unread]] = {}
    with zipfile.ZipFile(path) as archive:
        targets = {}
        if _LINKS in archive.namelist():
            for tag in _LINK.findall(archive.read(_LINKS).decode("utf-8", "replace")):
                given = dict(_ATTRIBUTE.findall(tag))
                targets[given.get("Id")] = given.get("Target", "").removeprefix("/xl/")
        for tag in _SHEET.findall(archive.read("xl/workbook.xml").decode("utf-8", "replace")):
            given = dict(_ATTRIBUTE.findall(tag))
            entry = f"xl/{targets.get(given.get('id'), '')}"
            if entry in entries:
                found[unescape(given.get("name", ""))] = list(_unread_in(archive.read(entry), path))
    return found


def _unread_in(body: bytes, path: Path) -> Iterator[Unread]:
    for tag, content in _WHOLE_CELL.findall(body):
        given = dict(_ATTRIBUTE.findall(tag.decode("utf-8", "replace")))
        value = _VALUE.search(content)
        if given.get("t") == "e":
            instead = value[1].decode("utf-8", "replace") if value else UNCOMPUTED
        elif value is None and given.get("t") != "str" and FORMULA_OR_ERROR.search(content):
            instead = UNCOMPUTED
        else:
            continue
        place = _NAMED_PLACE.fullmatch(given.get("r", ""))
        if place is None:
            raise unreadable(path)
        yield int(place[2]) - 1, column_number(place[1].encode()) - 1, instead


def _with_unread(table: list[list[object]], unread: list[Unread]) -> list[list[object]]:
    for row, column, instead in unread:
        table.extend([] for _ in range(row + 1 - len(table)))
        table[row].extend([""] * (column + 1 - len(table[row])))
        table[row][column] = instead
    return table


def _from_folder(folder: Path) -> list[RawSheet]:
    files = sorted(folder.glob("*.csv")) + sorted(folder.glob("*.CSV"))
    if not files:
        raise DomainError(
            message("No .csv file is in {folder}.", folder=folder),
            remedy=message("Put one CSV per sheet there, e.g. sites.csv."),
        )
    return [_from_csv(path) for path in files if plain_name(path.stem) != READ_ME]


def _from_csv(path: Path) -> RawSheet:
    return _from_table(plain_name(path.stem), _csv_cells(path))


def _csv_cells(path: Path) -> list[list[object]]:
    check_size(path)
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            beginning = file.read(4096)
            file.seek(0)
            separator = max(",;\t", key=beginning.count)
            return [list(row) for row in csv.reader(file, delimiter=separator, strict=True)]
    except UnicodeDecodeError as error:
        raise DomainError(
            message("{name} is not UTF-8: byte {start} is no character.", name=path.name, start=error.start),
            remedy=message("Save it as CSV UTF-8."),
        ) from error
    except csv.Error as error:
        raise DomainError(
            message("{name} is no CSV: {error}.", name=path.name, error=error),
            remedy=message("Save it as CSV UTF-8."),
        ) from error


def _from_table(name: str, table: list[list[object]]) -> RawSheet:
    if len(table) > MOST_ROWS:
        raise DomainError(
            message(
                "Sheet {name} has {table:,} rows; {most_rows:,} can be read at once.",
                name=name,
                table=len(table),
                most_rows=MOST_ROWS,
            ),
            remedy=message("Split it into several files."),
        )
    numbered = [(number, row) for number, row in enumerate(table, start=1) if not all(map(is_blank, row))]
    numbered = [(number, row) for number, row in numbered if not _is_comment(row)]
    if not numbered:
        return RawSheet(name, [], [])
    headers = [_header(cell) for cell in numbered[0][1]]
    while headers and not headers[-1]:
        headers.pop()
    rows = [RawRow(number, row) for number, row in numbered[1:]]
    return RawSheet(name, headers, rows, numbered[0][0])


def _is_comment(row: list[object]) -> bool:
    first = next((cell for cell in row if not is_blank(cell)), "")
    return isinstance(first, str) and first.lstrip().startswith(COMMENT)


def _header(cell: object) -> str:
    return "" if cell is None else str(cell).strip()
