"""Reads one message by a mapping: bytes in, plain readings or one reason out. No database."""

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from fleet.telemetry.mapping import AS_SHOWN, TOTALS
from shared.measures import Measure, to_inside
from shared.messages import message

MOST_BYTES: Final = 262_144
MOST_ROWS: Final = 5_000
"""Readings in one message."""
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


class Unreadable(Exception):
    """Why a message can't be read, where, and what would cure it."""

    def __init__(self, message: str, *, field: str = "", remedy: str = "") -> None:
        super().__init__(message)
        self.message, self.field, self.remedy = message, field, remedy


@dataclass(frozen=True)
class ReadValue:
    """One quantity as sent."""

    quantity: str
    value: float
    measure: str


@dataclass(frozen=True)
class Sample:
    """What one moment of one treatment unit says. Gauges are in working measures."""

    serial: str
    read_at: datetime
    totals: tuple[ReadValue, ...]
    gauges: dict[str, float]


def samples(payload: bytes, how: Mapping[str, Any], named: Mapping[str, str]) -> list[Sample]:
    """
    Read a message.

    Parameters
    ----------
    payload : bytes
        JSON text in UTF-8, up to ``MOST_BYTES``.
    how : mapping
        ``rows_path``, ``serial_path``, ``moment_path``, ``moment_form`` and ``fields`` of a TelemetryMap.
    named : mapping
        What the topic named, e.g. ``{"serial": "RO-1"}``.

    Raises
    ------
    Unreadable
        For the first thing wrong; then nothing of the message is to be used.
    """
    tree = _tree(payload)
    rows = at_path(tree, how["rows_path"]) if how["rows_path"] else [tree]
    if not isinstance(rows, list):
        raise Unreadable(message("There is no list of readings here."), field=how["rows_path"],
                         remedy=message("Correct the path of the list in the mapping."))  # fmt: skip
    if not rows or len(rows) > MOST_ROWS:
        raise Unreadable(
            message("The message has {rows} readings.", rows=len(rows)),
            field=how["rows_path"],
            remedy=message("Send 1 to {most_rows} in one message.", most_rows=MOST_ROWS),
        )
    return [_sample(tree, row, how, named) for row in rows]


def at_path(tree: Any, path: str) -> Any:
    """Return what lies at a path such as ``data.0.value``; None when there is nothing."""
    for step in path.split("."):
        if isinstance(tree, dict):
            tree = tree.get(step)
        elif isinstance(tree, list) and step.isascii() and step.isdigit() and len(step) < 6:
            tree = tree[int(step)] if int(step) < len(tree) else None
        else:
            return None
    return tree


def _tree(payload: bytes) -> Any:
    if len(payload) > MOST_BYTES:
        raise Unreadable(
            message("The message is {payload:,} bytes long.", payload=len(payload)),
            remedy=message("Send at most {most_bytes:,} bytes at once.", most_bytes=MOST_BYTES),
        )
    try:
        return json.loads(payload.decode("utf-8"), parse_constant=_no_number)
    except UnicodeDecodeError as error:
        raise Unreadable(
            message("The message is no text in UTF-8."), remedy=message("Send JSON in UTF-8.")
        ) from error
    except RecursionError as error:
        raise Unreadable(
            message("The message is nested too deeply."), remedy=message("Send flat JSON.")
        ) from error
    except ValueError as error:
        raise Unreadable(message("The message is no JSON."), remedy=message("Send JSON in UTF-8.")) from error


def _no_number(word: str) -> Any:
    raise Unreadable(message("{word} is no number that can be counted with.", word=word),
                     remedy=message("Leave out what was not measured."))  # fmt: skip


def _sample(tree: Any, row: Any, how: Mapping[str, Any], named: Mapping[str, str]) -> Sample:
    serial = named.get("serial") or _text(_look(tree, row, how["serial_path"]), how["serial_path"])
    read_at = _moment(_look(tree, row, how["moment_path"]), how["moment_path"], how["moment_form"])
    values = list(_values(row, how["fields"]))
    if not values:
        raise Unreadable(message("Nothing that is mapped was measured."), field=how["fields"][0]["path"],
                         remedy=message("Correct the paths in the mapping."))  # fmt: skip
    return Sample(
        serial=serial,
        read_at=read_at,
        totals=tuple(value for value in values if value.quantity in TOTALS),
        gauges={
            value.quantity: to_inside(value.value, Measure(value.measure))
            for value in values
            if value.quantity not in TOTALS
        },
    )


def _look(tree: Any, row: Any, path: str) -> Any:
    """Return what a path finds in the reading, or else in the whole message."""
    found = at_path(row, path) if path else None
    return at_path(tree, path) if found is None and path else found


def _text(value: Any, path: str) -> str:
    text = str(value) if isinstance(value, str | int) and not isinstance(value, bool) else ""
    if not text or len(text) > 60 or not text.isprintable():
        raise Unreadable(message("The message names no treatment unit."), field=path or "serial",
                         remedy=message("Have the topic or the payload carry its serial."))  # fmt: skip
    return text


def _values(row: Any, fields: list[dict]) -> Iterator[ReadValue]:
    for entry in fields:
        found = at_path(row, entry["path"])
        if found is None:
            continue
        yield ReadValue(entry["quantity"], _number(found, entry["path"]), entry["measure"] or AS_SHOWN)


def _number(value: Any, path: str) -> float:
    try:
        if isinstance(value, bool) or not isinstance(value, int | float | str):
            raise ValueError
        number = float(value)
    except (ValueError, OverflowError) as error:
        raise Unreadable(message("{value!r} is no number.", value=str(value)[:40]), field=path,
                         remedy=message("Send a number with a point.")) from error  # fmt: skip
    if not math.isfinite(number):
        raise Unreadable(message("This is no number that can be counted with."), field=path,
                         remedy=message("Leave out what was not measured."))  # fmt: skip
    return number


def _moment(value: Any, path: str, form: str) -> datetime:
    remedy = message("Send the moment of reading with its zone, in the form the mapping names.")
    if form == "iso":
        try:
            at = datetime.fromisoformat(value)
        except (TypeError, ValueError) as error:
            raise Unreadable(
                message("{value!r} is no moment.", value=str(value)[:40]), field=path, remedy=remedy
            ) from error
        if at.tzinfo is None:
            raise Unreadable(
                message("This moment has no time zone."), field=path, remedy=message("Add one, e.g. Z.")
            )
        return _sane(at, path, remedy)
    seconds = _number(value, path) / (1000 if form == "milliseconds" else 1)
    try:
        return _EPOCH + timedelta(seconds=seconds)
    except OverflowError as error:
        raise Unreadable(
            message("{value!r} is no moment.", value=str(value)[:40]), field=path, remedy=remedy
        ) from error


def _sane(at: datetime, path: str, remedy: str) -> datetime:
    try:
        return at.astimezone(UTC)
    except OverflowError as error:
        raise Unreadable(message("{at!s:.40} is no moment.", at=at), field=path, remedy=remedy) from error
