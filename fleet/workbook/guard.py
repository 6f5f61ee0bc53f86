"""Refuses files that would exhaust the machine, before anything opens them as a workbook.

Sizes are counted by unpacking, not only read from the archive's own list, which a hostile file can make up.
"""

import re
import struct
import zipfile
import zlib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import IO

from shared.errors import DomainError
from shared.messages import message

MOST_FILE_BYTES = 64 * 1024**2
MOST_UNPACKED_BYTES = 256 * 1024**2
"""A million rows of readings unpack to about 200 MB."""
MOST_ENTRIES = 1000
MOST_ROWS = 1_000_000
MOST_CELLS = 8_000_000
"""Rows times columns of the box that holds a sheet's cells: a reader makes room for all of it."""
MOST_TEXT_BYTES = 1024**3
"""Cells times the longest text, since many cells may point at one long text."""
MOST_REPEATED = 1000
"""Times a filled cell of an .ods may be repeated to its right."""
_CHUNK = 256 * 1024
_STORED, _DEFLATED = 0, 8
_PLACE = re.compile(rb"""\sr\s*=\s*["']\s*\$?([A-Za-z]{0,4})\$?(\d{1,9})["']""")
_CELL = re.compile(rb"<(?:\w+:)?c[\s/>]")
_ROW = re.compile(rb"<(?:\w+:)?row[\s/>]")
FORMULA_OR_ERROR = re.compile(rb"""<(?:\w+:)?f[\s/>]|\st\s*=\s*["']e["']""")
_REPEATED = re.compile(rb'<table:table-cell[^>]*number-columns-repeated="(\d{1,9})"[^>]*>')
_REPEATED_ROW = re.compile(rb'<table:table-row[^>]*number-rows-repeated="(\d{1,9})"[^>]*>')
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
        raise unreadable(path) from error


def unreadable(path: Path) -> DomainError:
    return DomainError(
        message("{name} can't be read as a workbook.", name=path.name),
        remedy=message("Save it as Excel workbook (.xlsx), without a password."),
    )


def _weigh(name: str, entries: list[zipfile.ZipInfo], raw: IO[bytes]) -> None:
    """Refuse what is far too much in about a second, before every cell is looked at."""
    unpacked = cells = 0
    too_big = DomainError(message("{name} unpacks to more than it should.", name=name), remedy=_REMEDY)
    if sum(entry.file_size for entry in entries) > MOST_UNPACKED_BYTES:
        raise too_big
    for entry in entries:
        for chunk in _unpack(entry, raw):
            unpacked += len(chunk)
            # With a prefix a cell's end is counted, too. What else begins so is rare beside cells.
            cells += chunk.count(b"<c") + chunk.count(b":c") // 2
            if unpacked > MOST_UNPACKED_BYTES:
                raise too_big
            if cells > MOST_CELLS:
                raise DomainError(
                    message("{name} holds more cells than can be read at once.", name=name), remedy=_REMEDY
                )


def _count(name: str, entries: list[zipfile.ZipInfo], raw: IO[bytes]) -> list[str]:
    _weigh(name, entries, raw)
    cells = longest = 0
    with_formulas = []
    for entry in entries:
        scan = _Scan()
        for chunk in _unpack(entry, raw):
            scan.feed(chunk)
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
            self._column = max(self._column, column_number(match[1]))
        for number, row in enumerate(_ROW.split(window)):
            cells = len(_CELL.findall(row))
            self.cells += cells
            self._rows += number > 0
            self._in_row = cells if number else self._in_row + cells
            self._column = max(self._column, self._in_row)
        self.has_formulas = self.has_formulas or FORMULA_OR_ERROR.search(window) is not None


@cache
def column_number(letters: bytes) -> int:
    number = 0
    for letter in letters.upper():
        number = number * 26 + letter - 64
    return number


def check_ods(path: Path) -> None:
    """Refuse an .ods that unpacks to more than the machine should hold, or repeats cells too often."""
    try:
        with zipfile.ZipFile(path) as archive, path.open("rb") as raw:
            _count(path.name, archive.infolist(), raw)
            body = archive.read("content.xml")
    except (zipfile.BadZipFile, zlib.error, struct.error, OSError, KeyError) as error:
        raise unreadable(path) from error
    for tag in _REPEATED.finditer(body):
        if int(tag[1]) > MOST_REPEATED and b"value-type" in tag[0]:
            raise DomainError(message("{name} repeats a cell too often.", name=path.name), remedy=_REMEDY)
    rows = sum(int(tag[1]) for tag in _REPEATED_ROW.finditer(body) if int(tag[1]) < MOST_ROWS // 2)
    if rows > MOST_ROWS:
        raise DomainError(message("{name} repeats its rows too often.", name=path.name), remedy=_REMEDY)
