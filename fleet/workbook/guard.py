"""Refuses files that would exhaust the machine, before anything opens them as a workbook.

Sizes are counted by unpacking, not read from the archive's own list, which a hostile file can make up.
"""

import re
import struct
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from shared.errors import CannotDo

MOST_FILE_BYTES = 64 * 1024**2
MOST_UNPACKED_BYTES = 768 * 1024**2
MOST_ENTRIES = 1000
MOST_CELLS = 20_000_000
"""Rows times columns of the box that holds a sheet's cells: a reader makes room for all of it."""
MOST_TEXT_BYTES = 1024**3
"""Cells times the longest text, since many cells may point at one long text."""
_CHUNK = 256 * 1024
_PLACE = re.compile(rb"""\br\s*=\s*["']\s*\$?([A-Za-z]{1,4})\$?(\d{1,9})["']""")
_STORED, _DEFLATED = 0, 8
_REMEDY = "Split it into several files, or save it anew from a spreadsheet program."


def check_size(path: Path) -> None:
    """Refuse a file too large to read at once."""
    size = path.stat().st_size
    if size > MOST_FILE_BYTES:
        raise CannotDo(
            f"{path.name} has {size / 1024**2:.0f} MB; {MOST_FILE_BYTES // 1024**2} MB can be read at once.",
            remedy=_REMEDY,
        )


def check_xlsx(path: Path) -> None:
    """Refuse what is no XLSX, or unpacks to more than the machine should hold. Raises CannotDo."""
    check_size(path)
    try:
        with zipfile.ZipFile(path) as archive, path.open("rb") as raw:
            entries = archive.infolist()
            if len(entries) > MOST_ENTRIES:
                raise CannotDo(f"{path.name} holds {len(entries)} files in one.", remedy=_REMEDY)
            if "xl/workbook.xml" not in archive.namelist():
                raise CannotDo(
                    f"{path.name} is a zip file, but no workbook.",
                    remedy="Save it as Excel workbook (.xlsx).",
                )
            _count(path.name, entries, raw)
    except (zipfile.BadZipFile, zlib.error, struct.error, OSError) as error:
        raise CannotDo(
            f"{path.name} can't be read as a workbook.",
            remedy="Save it as Excel workbook (.xlsx), without a password.",
        ) from error


def _count(name: str, entries: list[zipfile.ZipInfo], raw: IO[bytes]) -> None:
    unpacked = 0
    cells = 0
    longest = 0
    for entry in entries:
        scan = _Scan()
        for chunk in _unpack(entry, raw):
            unpacked += len(chunk)
            scan.feed(chunk)
            if unpacked > MOST_UNPACKED_BYTES:
                raise CannotDo(f"{name} unpacks to more than it should.", remedy=_REMEDY)
        if scan.box > MOST_CELLS:
            raise CannotDo(
                f"{name} has a cell far out, so that a sheet spans {scan.box:,} cells.",
                remedy="Delete the empty rows and columns beyond your data and save it anew.",
            )
        cells += scan.cells
        longest = max(longest, scan.longest)
    if cells * longest > MOST_TEXT_BYTES:
        raise CannotDo(f"{name} holds more text than can be read at once.", remedy=_REMEDY)


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
    """Counts cell places and the longest text in one XML entry, chunk by chunk."""

    def __init__(self) -> None:
        self.cells = 0
        self.longest = 0
        self._run = 0
        self._column = 0
        self._row = 0
        self._tail = b""

    @property
    def box(self) -> int:
        """Rows times columns."""
        return self._column * self._row

    def feed(self, chunk: bytes) -> None:
        """Take the next bytes."""
        window = self._tail + chunk
        for match in _PLACE.finditer(window):
            self.cells += 1
            self._row = max(self._row, int(match[2]))
            self._column = max(self._column, _column_number(match[1].upper()))
        self._tail = window[-40:]
        pieces = chunk.split(b"<")
        self.longest = max(self.longest, self._run + len(pieces[0]), *map(len, pieces))
        self._run = self._run + len(chunk) if len(pieces) == 1 else len(pieces[-1])


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number
