"""Takes a long body off the wire and reads its lines, JSON or CSV, into blocks of columns.

An unreadable line is a row with a fault. A block is read at one go where all of its lines are plain; where
one is not, line by line. Both give the same.
"""

import csv
import hashlib
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from tempfile import SpooledTemporaryFile
from typing import IO, Final

import orjson
from rest_framework.exceptions import ValidationError

from api.errors import Refusal

COLUMNS: Final = frozenset(
    {
        "meter_id", "treatment_unit_serial", "water", "read_at", "total_as_shown", "total_gal", "total_l",
        "total_m3", "total_ft3", "is_correction",
    }
)  # fmt: skip
MOST_LINE_BYTES: Final = 4096
BLOCK: Final = 20_000
"""Lines read at a time, and readings written in one transaction."""
MOST_ROWS: Final = 100_000
MOST_BYTES: Final = 32 * 1024 * 1024
_IN_MEMORY: Final = 2 * 1024 * 1024
_PIECE: Final = 64 * 1024


@dataclass
class BulkBody:
    """A body that can be read from its beginning."""

    file: IO[bytes]
    body_hash: str
    media_type: str

    def close(self) -> None:
        """Release the file."""
        self.file.close()


def take_body(stream: object, media_type: str) -> BulkBody:
    """Return a body read to its end. Raises Refusal 400 for none, 413 for one that is too long."""
    if not hasattr(stream, "read"):
        raise Refusal(400, "The body is empty.", "Send one reading a line.")
    digest = hashlib.sha256(media_type.encode())
    file = SpooledTemporaryFile(max_size=_IN_MEMORY)  # noqa: SIM115
    size = lines = 0
    while piece := stream.read(_PIECE):
        size += len(piece)
        lines += piece.count(b"\n")
        # One more line than rows: CSV has a header.
        if size > MOST_BYTES or lines > MOST_ROWS + 1:
            file.close()
            raise Refusal(
                413,
                f"The body has more than {MOST_ROWS:,} rows or {MOST_BYTES // 1024**2} MB.",
                "Send it in several calls, each with a key of its own.",
            )
        digest.update(piece)
        file.write(piece)
    if not size:
        file.close()
        raise Refusal(400, "The body is empty.", "Send one reading a line.")
    file.seek(0)
    return BulkBody(file, digest.hexdigest(), media_type)


@dataclass
class Block:
    """Lines as they came. A row has a place in the block, from 0."""

    rows: list[int] = field(default_factory=list)
    """Number of each row's line in the body, from 1 (a CSV header is line 1)."""
    columns: dict[str, Sequence[object]] = field(default_factory=dict)
    """Values by name, None where a row gives none; a name no row gives is not there."""
    faults: dict[int, str] = field(default_factory=dict)
    """Why a row can't be read, by its place."""

    def column(self, name: str) -> Sequence[object]:
        """Return the values of one name."""
        return self.columns.get(name) or [None] * len(self.rows)

    def values(self, place: int) -> dict[str, object]:
        """Return what one row gives."""
        given = {name: values[place] for name, values in self.columns.items()}
        return {name: value for name, value in given.items() if value is not None}


def json_blocks(file: IO[bytes]) -> Iterator[Block]:
    """Yield the lines that are not blank."""
    first = 1
    while lines := list(islice(file, BLOCK)):
        objects = _plain_objects(lines)
        if objects is None:
            yield _json_block(first, lines)
        else:
            yield Block(list(range(first, first + len(lines))), _columns_of(objects))
        first += len(lines)


def csv_blocks(file: IO[bytes]) -> Iterator[Block]:
    """Yield the lines under the header. Raises ValidationError for a header that can't do."""
    header = _header(file.readline())
    first = 2
    while lines := list(islice(file, BLOCK)):
        block = _plain_csv(first, header, lines)
        if block is None:
            # A record that runs over lines, or a line that is no CSV: from here on one by one.
            file.seek(-sum(map(len, lines)), io.SEEK_CUR)
            yield from _csv_by_record(file, first, header)
            return
        yield block
        first += len(lines)


def _plain_objects(lines: list[bytes]) -> list[dict[str, object]] | None:
    """Return the lines' objects when every line is one object of known names."""
    if max(map(len, lines)) > MOST_LINE_BYTES:
        return None
    try:
        objects = list(map(orjson.loads, lines))
    except orjson.JSONDecodeError:
        return None
    is_plain = set(map(type, objects)) == {dict} and COLUMNS.issuperset(set().union(*objects))
    return objects if is_plain else None


def _columns_of(objects: list[dict[str, object]]) -> dict[str, Sequence[object]]:
    names = COLUMNS.intersection(set().union(*objects))
    return {name: [one.get(name) for one in objects] for name in names}


def _json_block(first: int, lines: list[bytes]) -> Block:
    block, objects = Block(), []
    for number, line in enumerate(lines, start=first):
        if line.strip():
            values, fault = _json_row(line)
            if fault:
                block.faults[len(objects)] = fault
            objects.append(values)
            block.rows.append(number)
    block.columns = _columns_of(objects)
    return block


def _json_row(line: bytes) -> tuple[dict[str, object], str]:
    """Return a line's values, and its fault if it has one."""
    if len(line) > MOST_LINE_BYTES:
        return {}, f"This line is longer than {MOST_LINE_BYTES} bytes."
    try:
        values = orjson.loads(line)
    except orjson.JSONDecodeError as error:
        return {}, f"This line is not JSON: {str(error)[:120]}."
    if not isinstance(values, dict):
        return {}, "This line is not a JSON object."
    if not values.keys() <= COLUMNS:
        return {}, _unknown(sorted(values.keys() - COLUMNS))
    return values, ""


def _header(line: bytes) -> list[str]:
    text = line.decode("utf-8-sig", "surrogateescape")
    try:
        names = next(csv.reader([text], strict=True), [])
    except csv.Error as error:
        message = f"The first line can't be read: {error}. A line ends with LF or CR LF."
        raise ValidationError({"header": message}) from error
    header = [name.strip() for name in names]
    if unknown := sorted(set(header) - COLUMNS):
        raise ValidationError({"header": _unknown(unknown)})
    if len(set(header)) < len(header):
        raise ValidationError({"header": "A column is there twice."})
    if "read_at" not in header:
        raise ValidationError({"header": "The column read_at is missing; the first line names the columns."})
    return header


def _plain_csv(first: int, header: list[str], lines: list[bytes]) -> Block | None:
    """Return the block when every line is one record."""
    text = io.StringIO(b"".join(lines).decode("utf-8", "surrogateescape"), newline="\n")
    try:
        records = list(csv.reader(text, strict=True))
    except csv.Error:
        return None
    if len(records) != len(lines):
        return None
    return _csv_block(header, zip(range(first, first + len(lines)), records, strict=True))


def _csv_by_record(file: IO[bytes], first: int, header: list[str]) -> Iterator[Block]:
    text = io.TextIOWrapper(file, encoding="utf-8", errors="surrogateescape", newline="")
    records = _records(csv.reader(text, strict=True), first)
    while some := list(islice(records, BLOCK)):
        yield _csv_block(header, some)
    # The file is its owner's to close.
    text.detach()


def _records(reader, first: int) -> Iterator[tuple[int, list[str] | str]]:
    """Yield the number of each record's last line with its cells, or with its fault."""
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            yield first - 1 + reader.line_num, f"This line is not CSV: {error}."
        else:
            yield first - 1 + reader.line_num, cells


def _csv_block(header: list[str], records: Iterator[tuple[int, list[str] | str]]) -> Block:
    block, rows = Block(), []
    nothing = [""] * len(header)
    for number, cells in records:
        if not cells:
            continue
        if isinstance(cells, str):
            block.faults[len(rows)], cells = cells, nothing
        elif len(cells) != len(header):
            block.faults[len(rows)] = f"This line has {len(cells)} cells under {len(header)} headers."
            cells = nothing
        block.rows.append(number)
        rows.append(cells)
    for name, cells in zip(header, zip(*rows, strict=True), strict=False):
        if max(map(len, cells)) > MOST_LINE_BYTES:
            for place, cell in enumerate(cells):
                if len(cell) > MOST_LINE_BYTES:
                    block.faults[place] = f"This line is longer than {MOST_LINE_BYTES} bytes."
        block.columns[name] = [cell.strip() or None for cell in cells]
    return block


def _unknown(names: list[str]) -> str:
    shown = ", ".join(name[:40] for name in names[:5])
    text = f"Nothing is called {shown}. Known are: {', '.join(sorted(COLUMNS))}."
    return text.encode("utf-8", "replace").decode()
