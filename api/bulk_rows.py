"""Turns blocks of rows into readings of known meters, or into problems: row, field, value and remedy.

Cells are read a column at a time; a row with a cell that is not plainly right is looked at by itself.
"""

import math
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from django.db.models import QuerySet

from api.bulk_lines import Block
from api.fields import REMEDY, read_moments
from fleet.models import MeterWater
from fleet.readings.meter_in_place import meter_in_place
from fleet.readings.rows import NewMeterReading, arrays
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
_NUMBERS: Final = frozenset({int, float, str})
_MOST_KEY: Final = 2**63 - 1
_TIMES: Final = ("installed_at", "removed_at")
MOST_REMEMBERED: Final = 20_000
"""Meters remembered from batch to batch, so that a long call's memory stays flat."""


@dataclass(frozen=True, slots=True)
class InPlace:
    """A meter and its time in place."""

    meter_id: int
    installed_at: datetime
    removed_at: datetime | None


class KnownMeters:
    """The meters a call may record on, looked up block by block and remembered."""

    def __init__(self, meters: QuerySet) -> None:
        self.meters = meters
        self.found: dict[object, list[InPlace]] = {}
        """By id and by (serial of the treatment unit, water), the latest first; empty for what is none."""

    def look_up(self, keys: Iterable[object]) -> None:
        """Ask the database for those not asked for before."""
        if len(self.found) > MOST_REMEMBERED:
            self.found.clear()
        unasked = {key for key in keys if key is not None and key not in self.found}
        self.found |= {key: [] for key in unasked}
        for part in arrays(sorted(key for key in unasked if isinstance(key, int))):
            for meter_id, *times in self.meters.filter(pk__any_of=part).values_list("pk", *_TIMES):
                self.found[meter_id] = [InPlace(meter_id, *times)]
        serials = {key[0] for key in unasked if isinstance(key, tuple)}
        for part in arrays(sorted(serials)):
            named = self.meters.filter(treatment_unit__serial__any_of=part).order_by("-installed_at", "-pk")
            for serial, water, *meter in named.values_list("treatment_unit__serial", "water", "pk", *_TIMES):
                if (serial, water) in unasked:
                    self.found[serial, water].append(InPlace(*meter))


@dataclass
class Sighted:
    """A block as far as it can be read without the database; None where a cell needs a look of its own."""

    block: Block
    keys: Sequence[object]
    """What names each row's meter: an id, (serial, water), or None."""
    moments: Sequence[datetime | None]
    totals: Sequence[float | None]
    measures: Sequence[Measure | None]
    corrections: Sequence[bool | None]


def sight(block: Block) -> Sighted:
    """Read a block's cells, a column at a time."""
    named = map(block.column, ("meter_id", "treatment_unit_serial", "water"))
    totals, measures = _totals(block)
    flags = block.columns.get("is_correction")
    return Sighted(
        block,
        keys=[_key(*names) for names in zip(*named, strict=True)],
        moments=read_moments(block.column("read_at")),
        totals=totals,
        measures=measures,
        corrections=[False] * len(block.rows) if flags is None else [_flag_or_none(flag) for flag in flags],
    )


def read_rows(
    sighted: Sighted, known: KnownMeters
) -> tuple[list[NewMeterReading], list[NewMeterReading], list[RowProblem]]:
    """Return readings, corrections and problems. A meter not in ``known`` is as good as not there."""
    known.look_up(sighted.keys)
    block, readings, corrections, problems = sighted.block, [], [], []
    cells = zip(block.rows, sighted.keys, sighted.moments, sighted.totals, sighted.measures,
                sighted.corrections, strict=True)  # fmt: skip
    for place, (row, key, read_at, total, measure, is_correction) in enumerate(cells):
        meter_id = None
        if not (key is None or read_at is None or total is None or is_correction is None):
            meter = meter_in_place(known.found[key], read_at)
            meter_id = meter and meter.meter_id
        if meter_id is None or place in block.faults:
            name, value, message, remedy = _problem(sighted, place, known.found)
            problems.append(RowProblem(SHEET, row, name, _shown(value), message, remedy))
        else:
            (corrections if is_correction else readings).append(
                NewMeterReading(meter_id, read_at, total, measure, row)
            )
    return readings, corrections, problems


def _problem(
    sighted: Sighted, place: int, known: dict[object, list[InPlace]]
) -> tuple[str, object, str, str]:
    """Return the field, value, message and remedy of a row's first bad cell."""
    values, key, read_at = sighted.block.values(place), sighted.keys[place], sighted.moments[place]
    totals = [name for name in TOTALS if name in values]
    if fault := sighted.block.faults.get(place):
        return "line", "", fault, "Mend this line."
    if read_at is None:
        return "read_at", values.get("read_at"), "This is no moment with a time zone.", REMEDY
    if len(totals) != 1:
        remedy = f"Give one of {', '.join(TOTALS)}."
        return "total", ", ".join(totals), "A row has exactly one total.", remedy
    if sighted.totals[place] is None:
        message = "This is no number that can be counted with."
        return totals[0], values[totals[0]], message, "Write what the register shows, with a point."
    if key is None:
        remedy = "Give meter_id, or treatment_unit_serial (and water if not permeate)."
        return "meter_id", values.get("meter_id"), "The row names no meter.", remedy
    if not known[key]:
        name, shown = ("meter_id", key) if isinstance(key, int) else ("treatment_unit_serial", " ".join(key))
        return name, shown, "There is no such meter in your branch.", "Check it against the list of meters."
    if meter_in_place(known[key], read_at) is None:
        message = "No such meter was in place at this moment."
        return "read_at", values["read_at"], message, "Check the date, or add the meter first."
    value = values["is_correction"]
    return "is_correction", value, "This is neither true nor false.", "Write true or leave it out."


def _key(meter_id: object, serial: object, water: object) -> object:
    """Return what names the meter: an id, (serial, water), or None when nothing does."""
    if meter_id is None:
        return _serial_key(serial, _PERMEATE if water is None else water)
    if isinstance(meter_id, str) and meter_id.isascii() and meter_id.isdigit() and len(meter_id) < 20:
        meter_id = int(meter_id)
    if type(meter_id) is int and 0 < meter_id <= _MOST_KEY:
        return meter_id
    return None


def _serial_key(serial: object, water: object) -> tuple[str, str] | None:
    is_serial = isinstance(serial, str) and serial and serial.isprintable()
    return (serial, water) if is_serial and isinstance(water, str) and water in _WATERS else None


def _totals(block: Block) -> tuple[Sequence[float | None], Sequence[Measure | None]]:
    """Return each row's one total, None for a bad one and for rows with none or several; and its measure."""
    given = {name: block.columns[name] for name in TOTALS if name in block.columns}
    if len(given) == 1:
        ((name, values),) = given.items()
        return _numbers(values), [TOTALS[name]] * len(values)
    totals: list[float | None] = [None] * len(block.rows)
    measures: list[Measure | None] = [None] * len(block.rows)
    for place, values in enumerate(zip(*given.values(), strict=True)):
        named = [(name, value) for name, value in zip(given, values, strict=True) if value is not None]
        if len(named) == 1:
            totals[place], measures[place] = _number_or_none(named[0][1]), TOTALS[named[0][0]]
    return totals, measures


def _numbers(values: Sequence[object]) -> Sequence[float | None]:
    if _NUMBERS.issuperset(map(type, values)):
        with suppress(ValueError, OverflowError):
            numbers = list(map(float, values))
            if all(map(math.isfinite, numbers)):
                return numbers
    return [_number_or_none(value) for value in values]


def _number_or_none(value: object) -> float | None:
    number = value if type(value) is float else None
    if number is None and isinstance(value, int | str) and not isinstance(value, bool):
        with suppress(ValueError, OverflowError):
            number = float(value)
    return number if number is not None and math.isfinite(number) else None


def _flag_or_none(value: object) -> bool | None:
    if value is None:
        return False
    if isinstance(value, str):
        value = value.lower()
    return value in _YES if isinstance(value, str | bool) and value in _YES | _NO else None


def _shown(value: object) -> str:
    return str(value)[:80].encode("utf-8", "replace").decode().replace("\x00", "�")
