"""Figures of an assessment packed into one record: a third of what JSON takes, and written by the column."""

import struct
from collections.abc import Mapping
from datetime import UTC, date, datetime
from functools import cached_property
from typing import Any, Final

import numpy as np
import orjson

LIMITS: Final = (
    "volume", "calendar", "chlorine_dose", "hardness_load", "oxidant_exposure", "pressure_drop",
    "measured_end",
)  # fmt: skip
"""Same order as ``fleet.science.columns.Limit``."""
_EPOCH: Final = date(1970, 1, 1).toordinal()
_NO_DAY: Final = np.iinfo(np.int32).min
_NO_MOMENT: Final = np.iinfo(np.int64).min
_KINDS: Final = {"figure": "<f8", "count": "<i4", "flag": "?", "day": "<i4", "moment": "<i8"}
_CODES: Final = {"figure": "d", "count": "i", "flag": "?", "day": "i", "moment": "q"}
_LIMIT: Final = np.dtype([("wear", "<f8"), ("wear_per_day", "<f8"), ("due_on", "<i4")])

_ONE: Final = struct.Struct("<d")


class Layout:
    """What a record holds, in order. Never changed once released: what differs gets a number of its own.

    A record begins with its layout's number; after it may come a note as JSON.
    """

    def __init__(self, number: int, **kinds: str):
        """``kinds`` says of each name: figure, count, flag, day, moment, or limits."""
        self.number = number
        self.kinds = kinds
        fields: list[tuple] = [("layout", "u1")]
        code = "<B"
        for name, kind in kinds.items():
            if kind == "limits":
                fields += [("applies", "u1"), (name, _LIMIT, (len(LIMITS),))]
                code += "B" + "ddi" * len(LIMITS)
            else:
                fields.append((name, _KINDS[kind]))
                code += _CODES[kind]
        self.dtype = np.dtype(fields)
        self._struct = struct.Struct(code)

    @cached_property
    def size(self) -> int:
        """Length of a record without its note. [bytes]"""
        return self.dtype.itemsize

    def pack(self, columns: Mapping[str, Any], count: int) -> np.ndarray:
        """Return the records of so many rows.

        Parameters
        ----------
        columns : mapping of name to array
            Figures as floats, NaN where unknown; days as datetime64[D] and moments as datetime64[s], NaT
            where unknown. ``limits`` are (applies, wear, wear_per_day, due_on), each rows × limits.
        count : int
        """
        records = np.zeros(count, dtype=self.dtype)
        records["layout"] = self.number
        for name, kind in self.kinds.items():
            if kind == "limits":
                applies, *rest = columns[name]
                records["applies"] = applies @ (1 << np.arange(len(LIMITS)))
                for part, values in zip(_LIMIT.names or (), rest, strict=True):
                    is_day = values.dtype.kind == "M"
                    records[name][part] = _numbers(values, "day", _NO_DAY) if is_day else values
            elif kind in ("day", "moment"):
                records[name] = _numbers(columns[name], kind, _NO_DAY if kind == "day" else _NO_MOMENT)
            else:
                records[name] = columns[name]
        return records

    def days(self, records: np.ndarray, name: str) -> np.ndarray:
        """Return the days of that name out of records, as they were packed."""
        days = records[name].astype(np.int64).astype("datetime64[D]")
        return np.where(records[name] == _NO_DAY, np.datetime64("NaT"), days)

    def unpack(self, data: bytes) -> dict[str, Any]:
        """Return one record as the dict that its JSON was: days and moments as text, None where unknown."""
        cells = iter(self._struct.unpack_from(data))
        next(cells)
        found = {name: _READ[kind](cells) for name, kind in self.kinds.items()}
        return found | orjson.loads(data[self.size :]) if len(data) > self.size else found

    def one(self, data: bytes | memoryview, *path: str) -> float | None:
        """Return one figure of a record: by its name, or by “limits”, which limit and what of it."""
        offset = self.dtype.fields[path[0]][1]
        if len(path) > 1:
            row = LIMITS.index(path[1])
            if not data[self.dtype.fields["applies"][1]] >> row & 1:
                return None
            offset += row * _LIMIT.itemsize + _LIMIT.fields[path[2]][1]
        (value,) = _ONE.unpack_from(data, offset)
        return None if value != value else value


def _numbers(values: np.ndarray, kind: str, none: int) -> np.ndarray:
    unit = "datetime64[D]" if kind == "day" else "datetime64[s]"
    return np.where(np.isnat(values), none, values.astype(unit).astype(np.int64))


def _figure(cells: Any) -> float | None:
    value = next(cells)
    return None if value != value else value


def _day(cells: Any) -> str | None:
    value = next(cells)
    return None if value == _NO_DAY else date.fromordinal(_EPOCH + value).isoformat()


def _moment(cells: Any) -> str | None:
    value = next(cells)
    return None if value == _NO_MOMENT else datetime.fromtimestamp(value, UTC).isoformat()


def _limits(cells: Any) -> dict[str, dict[str, Any]]:
    applies = next(cells)
    limits = {
        name: {"wear": _figure(cells), "wear_per_day": _figure(cells), "due_on": _day(cells)}
        for name in LIMITS
    }
    return {name: limit for i, (name, limit) in enumerate(limits.items()) if applies >> i & 1}


_READ: Final = {
    "figure": _figure, "count": next, "flag": next, "day": _day, "moment": _moment, "limits": _limits,
}  # fmt: skip

OF_PART: Final = Layout(
    1,
    seen_gal="figure", mean_chlorine_mg_l="figure", mean_hardness_mg_l="figure", chlorine_leak_mg_l="figure",
    ebct_min="figure", membrane_life_lost_per_week="figure", limits="limits", installed_on="day",
    not_before_on="day", not_after_on="day", last_read_on="day", feed_tested_on="day", rated_gal="figure",
    rated_months="figure", rating_chlorine_mg_l="figure", rated_hardness_mg_l="figure",
    hardness_capacity_grains="figure", oxidant_tolerance_mg_h_l="figure", design_permeate_gpm="figure",
    permeate_gal_per_day="figure", feed_gal_per_day="figure", recovery="figure", recovery_is_measured="flag",
    is_design_duty="flag", readings_used="count",
)  # fmt: skip
"""Behind a ``PartState``; the note is what of it was learned from the fleet."""
OF_UNIT: Final = Layout(
    2,
    normalised_flow_gpm="figure", baseline_flow_gpm="figure", flow_change="figure", salt_passage="figure",
    baseline_salt_passage="figure", passage_change="figure", drop_change="figure", raw_flow_change="figure",
    flow_slope_per_day="figure", readings_used="count", baseline_from="moment", baseline_to="moment",
    last_ran_at="moment",
)  # fmt: skip
"""Behind a ``UnitState``."""
_LAYOUTS: Final = {layout.number: layout for layout in (OF_PART, OF_UNIT)}


def numbers_of(written: dict[str, Any], packed: bytes | memoryview | None) -> dict[str, Any]:
    """Return the figures of a state: JSON where somebody wrote them so, else as assessment packed them."""
    if written or not packed:
        return written
    data = bytes(packed)
    return _LAYOUTS[data[0]].unpack(data)


def figure_of(written: dict[str, Any], packed: bytes | memoryview | None, *path: str) -> float | None:
    """Return one figure of a state without the others, None where unknown; ``path`` as in ``Layout.one``."""
    if not written and packed:
        return _LAYOUTS[packed[0]].one(packed, *path)
    found: Any = written
    for name in path:
        found = (found or {}).get(name)
    return found
