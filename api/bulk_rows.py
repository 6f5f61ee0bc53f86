"""Turns raw rows into readings of known meters, or into problems that name row, field, value and remedy."""

import math
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from django.db.models import QuerySet

from api.bulk_lines import RawRow
from api.moments import REMEDY, read_moment
from fleet.models import MeterWater
from fleet.services.reading_store import arrays
from fleet.services.readings import NewMeterReading
from shared.errors import RowProblem
from shared.measures import Measure

SHEET: Final = "meter_readings"
TOTALS: Final[dict[str, Measure | None]] = {
    "total_as_shown": None,
    "total_gal": Measure.GALLON,
    "total_l": Measure.LITRE,
    "total_m3": Measure.CUBIC_METRE,
    "total_ft3": Measure.CUBIC_FOOT,
}
"""The register total under a name that carries its measure; ``total_as_shown`` is in the meter's own."""
_YES: Final = {True, "true", "yes", "1"}
_NO: Final = {False, "false", "no", "0"}
_WATERS: Final = frozenset(MeterWater.values)
_PERMEATE: Final = MeterWater.PERMEATE.value
_MOST_KEY: Final = 2**63 - 1
_TIMES: Final = ("installed_at", "removed_at")
MOST_REMEMBERED: Final = 20_000
"""Meters remembered from batch to batch, so that a long call's memory stays flat."""


class _BadCell(Exception):
    """What is wrong with one cell."""

    def __init__(self, name: str, value: object, message: str, remedy: str) -> None:
        super().__init__(message)
        self.name, self.value, self.message, self.remedy = name, value, message, remedy


@dataclass
class ReadRows:
    """What a batch of raw rows says."""

    readings: list[NewMeterReading] = field(default_factory=list)
    corrections: list[NewMeterReading] = field(default_factory=list)
    problems: list[RowProblem] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _InPlace:
    """A meter and its time in place."""

    meter_id: int
    installed_at: datetime
    removed_at: datetime | None


class KnownMeters:
    """The meters a call may record on, looked up batch by batch and remembered."""

    def __init__(self, meters: QuerySet) -> None:
        self.meters = meters
        self.found: dict[object, list[_InPlace]] = {}
        """By id and by (serial of the treatment unit, water), the latest first; empty for what is none."""

    def look_up(self, keys: Iterable[object]) -> None:
        """Ask the database for those not asked for before."""
        if len(self.found) > MOST_REMEMBERED:
            self.found.clear()
        unasked = {key for key in keys if key is not None and key not in self.found}
        self.found |= {key: [] for key in unasked}
        for part in arrays(sorted(key for key in unasked if isinstance(key, int))):
            for meter_id, *times in self.meters.filter(pk__any_of=part).values_list("pk", *_TIMES):
                self.found[meter_id] = [_InPlace(meter_id, *times)]
        serials = {key[0] for key in unasked if isinstance(key, tuple)}
        for part in arrays(sorted(serials)):
            named = self.meters.filter(treatment_unit__serial__any_of=part).order_by("-installed_at", "-pk")
            for serial, water, *meter in named.values_list("treatment_unit__serial", "water", "pk", *_TIMES):
                if (serial, water) in unasked:
                    self.found[serial, water].append(_InPlace(*meter))


def read_rows(rows: Sequence[RawRow], known: KnownMeters) -> ReadRows:
    """Read a batch. Any meter not in ``known`` is as good as not there."""
    keys = [_key(raw.values) for raw in rows]
    known.look_up(keys)
    read = ReadRows()
    for raw, key in zip(rows, keys, strict=True):
        try:
            if raw.fault:
                raise _BadCell("line", "", raw.fault, "Mend this line.")
            reading = _reading(raw, key, known.found)
            is_correction = _flag(raw.values)
        except _BadCell as bad:
            shown = _shown(bad.value)
            read.problems.append(RowProblem(SHEET, raw.row, bad.name, shown, bad.message, bad.remedy))
        else:
            (read.corrections if is_correction else read.readings).append(reading)
    return read


def _reading(raw: RawRow, key: object, known: dict[object, list[_InPlace]]) -> NewMeterReading:
    values = raw.values
    read_at = read_moment(values.get("read_at"))
    if read_at is None:
        raise _BadCell("read_at", values.get("read_at"), "This is no moment with a time zone.", REMEDY)
    given = [name for name in TOTALS if values.get(name) is not None]
    if len(given) != 1:
        raise _BadCell("total", ", ".join(given), "A row has exactly one total.",
                       f"Give one of {', '.join(TOTALS)}.")  # fmt: skip
    total = _number(given[0], values[given[0]])
    return NewMeterReading(_meter(raw, key, known, read_at), read_at, total, TOTALS[given[0]], raw.row)


def _meter(raw: RawRow, key: object, known: dict[object, list[_InPlace]], read_at: datetime) -> int:
    if key is None:
        raise _BadCell("meter_id", raw.values.get("meter_id"), "The row names no meter.",
                       "Give meter_id, or treatment_unit_serial (and water if not permeate).")  # fmt: skip
    candidates = known[key]
    if not candidates:
        name, shown = ("meter_id", key) if isinstance(key, int) else ("treatment_unit_serial", " ".join(key))
        raise _BadCell(name, shown, "There is no such meter in your branch.",
                       "Check it against the list of meters.")  # fmt: skip
    for meter in candidates:
        if meter.installed_at <= read_at and (meter.removed_at is None or read_at <= meter.removed_at):
            return meter.meter_id
    raise _BadCell("read_at", raw.values.get("read_at"), "No such meter was in place at this moment.",
                   "Check the date, or add the meter first.")  # fmt: skip


def _key(values: dict[str, object]) -> object:
    """Return what names the meter: an id, (serial, water), or None when nothing does."""
    meter_id = values.get("meter_id")
    if meter_id is None:
        return _serial_key(values.get("treatment_unit_serial"), values.get("water", _PERMEATE))
    if isinstance(meter_id, str) and meter_id.isascii() and meter_id.isdigit() and len(meter_id) < 20:
        meter_id = int(meter_id)
    if type(meter_id) is int and 0 < meter_id <= _MOST_KEY:
        return meter_id
    return None


def _serial_key(serial: object, water: object) -> tuple[str, str] | None:
    is_serial = isinstance(serial, str) and serial and serial.isprintable()
    return (serial, water) if is_serial and isinstance(water, str) and water in _WATERS else None


def _number(name: str, value: object) -> float:
    number = value if type(value) is float else None
    if number is None and isinstance(value, int | str) and not isinstance(value, bool):
        with suppress(ValueError, OverflowError):
            number = float(value)
    if number is None or not math.isfinite(number):
        raise _BadCell(name, value, "This is no number that can be counted with.",
                       "Write what the register shows, with a point.")  # fmt: skip
    return number


def _flag(values: dict[str, object]) -> bool:
    value = values.get("is_correction")
    if value is None:
        return False
    if isinstance(value, str):
        value = value.lower()
    if isinstance(value, str | bool) and value in _YES | _NO:
        return value in _YES
    raise _BadCell("is_correction", value, "This is neither true nor false.", "Write true or leave it out.")


def _shown(value: object) -> str:
    return str(value)[:80].encode("utf-8", "replace").decode().replace("\x00", "�")
