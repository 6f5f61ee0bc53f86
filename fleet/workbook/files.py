"""Refuses files that would exhaust the machine, before anything opens them as a workbook.

Reads a workbook, a folder of CSV, or rows in memory into raw sheets. No cell is judged here.

Sizes are counted by unpacking, not read from the archive's own list, which a hostile file can make up.
"""

import csv
import re
import struct
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from html import unescape
from pathlib import Path
from typing import IO

from python_calamine import CalamineError, CalamineWorkbook

from fleet.workbook.cells import is_blank
from shared.errors import DomainError
from shared.messages import message

MOST_FILE_BYTES = 64 * 1024**2
MOST_UNPACKED_BYTES = 768 * 1024**2
MOST_ENTRIES = 1000
MOST_CELLS = 20_000_000
"""Rows times columns of the box that holds a sheet's cells: a reader makes room for all of it."""
MOST_TEXT_BYTES = 1024**3
"""Cells times the longest text, since many cells may point at one long text."""
_CHUNK = 256 * 1024
_PLACE = re.compile(rb"""\br\s*=\s*["']\s*\$?([A-Za-z]{0,4})\$?(\d{1,9})["']""")
_CELL = re.compile(rb"<(?:\w+:)?c[\s/>]")
_ROW = re.compile(rb"<(?:\w+:)?row[\s/>]")
_FORMULA_OR_ERROR = re.compile(rb"""<(?:\w+:)?f[\s/>]|\st\s*=\s*["']e["']""")
_WHOLE_CELL = re.compile(rb"<(?:\w+:)?c(\s[^>]*[^>/])>(.*?)</(?:\w+:)?c>", re.DOTALL)
_VALUE = re.compile(rb"<(?:\w+:)?v(?:\s[^>]*)?>([^<]+)</")
_NAMED_PLACE = re.compile(r"([A-Za-z]{1,4})(\d{1,9})")
_ATTRIBUTE = re.compile(r"""(?:\w+:)?(\w+)\s*=\s*["']([^"']*)["']""")
_LINKS = "xl/_rels/workbook.xml.rels"
_LINK = re.compile(r"<(?:\w+:)?Relationship\s[^>]*>")
_REPEATED = re.compile(rb'<table:table-cell[^>]*number-columns-repeated="(\d{1,9})"[^>]*>')
_REPEATED_ROW = re.compile(rb'<table:table-row[^>]*number-rows-repeated="(\d{1,9})"[^>]*>')
MOST_REPEATED = 1000
"""Times a filled cell of an .ods may be repeated to its right."""
_SHEET = re.compile(r"<(?:\w+:)?sheet\s[^>]*>")
UNCOMPUTED = "#FORMULA!"
"""Stands for a formula that was saved without its value."""
_STORED, _DEFLATED = 0, 8
_REMEDY = message("Split it into several files, or save it anew from a spreadsheet program.")


def check_size(path: Path) -> None:
    """Refuse a file too large to read at once."""
    size = path.stat().st_size
    if size > MOST_FILE_BYTES:
        raise DomainError(
            message(
                "{name} has {size:.0f} MB; {most_file_bytes} MB can be read at once.",
                name=path.name,
                size=size / 1024**2,
                most_file_bytes=MOST_FILE_BYTES // 1024**2,
            ),
            remedy=_REMEDY,
        )


def check_xlsx(path: Path) -> list[str]:
    """Refuse what is no XLSX, or unpacks to more than the machine should hold. Raises DomainError.

    Returns the entries that have formulas or error cells.
    """
    check_size(path)
    try:
        with zipfile.ZipFile(path) as archive, path.open("rb") as raw:
            entries = archive.infolist()
            if len(entries) > MOST_ENTRIES:
                raise DomainError(
                    message("{name} holds {entries} files in one.", name=path.name, entries=len(entries)),
                    remedy=_REMEDY,
                )
            if "xl/workbook.xml" not in archive.namelist():
                raise DomainError(
                    message("{name} is a zip file, but no workbook.", name=path.name),
                    remedy=message("Save it as Excel workbook (.xlsx)."),
                )
            return _count(path.name, entries, raw)
    except (zipfile.BadZipFile, zlib.error, struct.error, OSError) as error:
        raise _unreadable(path) from error


def _unreadable(path: Path) -> DomainError:
    return DomainError(
        message("{name} can't be read as a workbook.", name=path.name),
        remedy=message("Save it as Excel workbook (.xlsx), without a password."),
    )


def _count(name: str, entries: list[zipfile.ZipInfo], raw: IO[bytes]) -> list[str]:
    unpacked = cells = longest = 0
    with_formulas = []
    for entry in entries:
        scan = _Scan()
        for chunk in _unpack(entry, raw):
            unpacked += len(chunk)
            scan.feed(chunk)
            if unpacked > MOST_UNPACKED_BYTES:
                raise DomainError(
                    message("{name} unpacks to more than it should.", name=name), remedy=_REMEDY
                )
            if cells + scan.cells > MOST_CELLS:
                raise DomainError(
                    message("{name} holds more cells than can be read at once.", name=name), remedy=_REMEDY
                )
        if scan.box > MOST_CELLS:
            raise DomainError(
                message(
                    "{name} has a cell far out, so that a sheet spans {box:,} cells.", name=name, box=scan.box
                ),
                remedy=message("Delete the empty rows and columns beyond your data and save it anew."),
            )
        cells += scan.cells
        longest = max(longest, scan.longest)
        if scan.has_formulas:
            with_formulas.append(entry.filename)
    if cells * longest > MOST_TEXT_BYTES:
        raise DomainError(
            message("{name} holds more text than can be read at once.", name=name), remedy=_REMEDY
        )
    return with_formulas


def _unpack(entry: zipfile.ZipInfo, raw: IO[bytes]) -> Iterator[bytes]:
    """Yield an entry's bytes, however many there really are."""
    raw.seek(entry.header_offset)
    header = raw.read(30)
    name_length, extra_length = struct.unpack_from("<HH", header, 26)
    raw.seek(name_length + extra_length, 1)
    if entry.compress_type not in (_STORED, _DEFLATED):
        raise zipfile.BadZipFile("unknown compression")
    left = entry.compress_size
    inflate = zlib.decompressobj(-zlib.MAX_WBITS)
    while left > 0:
        packed = raw.read(min(_CHUNK, left))
        if not packed:
            raise zipfile.BadZipFile("cut off")
        left -= len(packed)
        if entry.compress_type == _STORED:
            yield packed
            continue
        while packed:
            yield inflate.decompress(packed, _CHUNK)
            packed = inflate.unconsumed_tail


class _Scan:
    """Counts cells, their places and the longest text in one XML entry, chunk by chunk."""

    def __init__(self) -> None:
        self.cells = self.longest = 0
        self.has_formulas = False
        """Whether a cell may have no value although something stands in it."""
        self._run = self._column = self._row = self._rows = self._in_row = 0
        self._tail = b""

    @property
    def box(self) -> int:
        """Rows times columns. A cell that names no place stands right of the one before it."""
        return self._column * max(self._row, self._rows)

    def feed(self, chunk: bytes) -> None:
        """Take the next bytes. A tag is looked at once it is whole."""
        pieces = chunk.split(b"<")
        self.longest = max(self.longest, self._run + len(pieces[0]), *map(len, pieces))
        self._run = self._run + len(chunk) if len(pieces) == 1 else len(pieces[-1])
        window = self._tail + chunk
        # The last tag ends the entry and is no cell, so what waits here need not be looked at in the end.
        cut = max(window.rfind(b"<"), len(window) - _CHUNK)
        self._tail, window = window[cut:], window[:cut]
        for match in _PLACE.finditer(window):
            self._row = max(self._row, int(match[2]))
            self._column = max(self._column, _column_number(match[1]))
        for number, row in enumerate(_ROW.split(window)):
            cells = len(_CELL.findall(row))
            self.cells += cells
            self._rows += number > 0
            self._in_row = cells if number else self._in_row + cells
            self._column = max(self._column, self._in_row)
        self.has_formulas = self.has_formulas or _FORMULA_OR_ERROR.search(window) is not None


@cache
def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters.upper():
        number = number * 26 + letter - 64
    return number


READ_ME = "read_me"
COMMENT = "# "
"""A row or a column that begins so is the office's own remark."""
MOST_ROWS = 1_000_000


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
        _check_ods(path)
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
            raise _unreadable(path) from error
        raise


def _check_ods(path: Path) -> None:
    """Refuse an .ods that unpacks to more than the machine should hold, or repeats cells too often."""
    try:
        with zipfile.ZipFile(path) as archive, path.open("rb") as raw:
            _count(path.name, archive.infolist(), raw)
            body = archive.read("content.xml")
    except (zipfile.BadZipFile, zlib.error, struct.error, OSError, KeyError) as error:
        raise _unreadable(path) from error
    for tag in _REPEATED.finditer(body):
        if int(tag[1]) > MOST_REPEATED and b"value-type" in tag[0]:
            raise DomainError(message("{name} repeats a cell too often.", name=path.name), remedy=_REMEDY)
    rows = sum(int(tag[1]) for tag in _REPEATED_ROW.finditer(body) if int(tag[1]) < MOST_ROWS // 2)
    if rows > MOST_ROWS:
        raise DomainError(message("{name} repeats its rows too often.", name=path.name), remedy=_REMEDY)


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
        elif value is None and given.get("t") != "str" and _FORMULA_OR_ERROR.search(content):
            instead = UNCOMPUTED
        else:
            continue
        place = _NAMED_PLACE.fullmatch(given.get("r", ""))
        if place is None:
            raise _unreadable(path)
        yield int(place[2]) - 1, _column_number(place[1].encode()) - 1, instead


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
