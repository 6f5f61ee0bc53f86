"""Reads lines of JSON or CSV into raw rows, one at a time. An unreadable line is a row with a fault."""

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import IO, Final

import orjson
from rest_framework.exceptions import ValidationError

COLUMNS: Final = frozenset(
    {
        "meter_id", "treatment_unit_serial", "water", "read_at", "total_as_shown", "total_gal", "total_l",
        "total_m3", "total_ft3", "is_correction",
    }
)  # fmt: skip
MOST_LINE_BYTES: Final = 4096


@dataclass(frozen=True, slots=True)
class RawRow:
    """One line as it came: its number from 1 (a CSV header is line 1), its values, or its fault."""

    row: int
    values: dict[str, object] = field(default_factory=dict)
    fault: str = ""


def json_rows(file: IO[bytes]) -> Iterator[RawRow]:
    """Yield one row for each line that is not blank."""
    for number, line in enumerate(file, start=1):
        if not line.strip():
            continue
        yield _json_row(number, line)


def csv_rows(file: IO[bytes]) -> Iterator[RawRow]:
    """Yield one row for each line under the header. Raises ValidationError for a header that can't do."""
    text = io.TextIOWrapper(file, encoding="utf-8-sig", errors="surrogateescape", newline="")
    lines = csv.reader(text, strict=True)
    try:
        header = [name.strip() for name in next(lines, [])]
    except csv.Error as error:
        raise ValidationError({"header": f"The first line can't be read: {error}."}) from error
    _check_header(header)
    while True:
        try:
            cells = next(lines)
        except StopIteration:
            break
        except csv.Error as error:
            yield RawRow(lines.line_num, fault=f"This line is not CSV: {error}.")
            continue
        if cells:
            yield _csv_row(lines.line_num, header, cells)
    # The file is its owner's to close.
    text.detach()


def _json_row(number: int, line: bytes) -> RawRow:
    if len(line) > MOST_LINE_BYTES:
        return RawRow(number, fault=f"This line is longer than {MOST_LINE_BYTES} bytes.")
    try:
        values = orjson.loads(line)
    except orjson.JSONDecodeError as error:
        return RawRow(number, fault=f"This line is not JSON: {str(error)[:120]}.")
    if not isinstance(values, dict):
        return RawRow(number, fault="This line is not a JSON object.")
    if not values.keys() <= COLUMNS:
        return RawRow(number, fault=_unknown(sorted(values.keys() - COLUMNS)))
    return RawRow(number, values)


def _csv_row(number: int, header: list[str], cells: list[str]) -> RawRow:
    if len(cells) != len(header):
        return RawRow(number, fault=f"This line has {len(cells)} cells under {len(header)} headers.")
    if max(map(len, cells)) > MOST_LINE_BYTES:
        return RawRow(number, fault=f"This line is longer than {MOST_LINE_BYTES} bytes.")
    pairs = zip(header, map(str.strip, cells), strict=True)
    return RawRow(number, {name: cell for name, cell in pairs if cell})


def _check_header(header: list[str]) -> None:
    if unknown := sorted(set(header) - COLUMNS):
        raise ValidationError({"header": _unknown(unknown)})
    if len(set(header)) < len(header):
        raise ValidationError({"header": "A column is there twice."})
    if "read_at" not in header:
        raise ValidationError({"header": "The column read_at is missing; the first line names the columns."})


def _unknown(names: list[str]) -> str:
    shown = ", ".join(name[:40] for name in names[:5])
    text = f"Nothing is called {shown}. Known are: {', '.join(sorted(COLUMNS))}."
    return text.encode("utf-8", "replace").decode()
