"""Writes columns into a table of PostgreSQL by binary COPY: numbers go over as they lie in memory."""

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import numpy as np
import orjson
from django.db import connection

HEADER: Final = b"PGCOPY\n\xff\r\n\x00" + struct.pack(">ii", 0, 0)
END: Final = struct.pack(">h", -1)
"""PostgreSQL's manual, COPY, "Binary Format": signature, flags, extension; -1 ends the rows."""
_EPOCH_US: Final = round(datetime(2000, 1, 1, tzinfo=UTC).timestamp() * 1e6)
"""PostgreSQL counts a moment from here. [µs since 1970-01-01 UTC]"""
_EPOCH_DAY: Final = np.datetime64("2000-01-01", "D")
"""And a date from here."""

Column = np.ndarray | bytes | int
"""One value a row, or the same for all. Moments come through ``moments``."""


def microseconds(moments: Sequence[datetime]) -> np.ndarray:
    """Return aware moments as whole numbers. [µs since 1970-01-01 UTC]"""
    return np.rint(np.array([at.timestamp() for at in moments]) * 1e6).astype(np.int64)


def moments(since_1970_us: np.ndarray | int) -> np.ndarray:
    """Return moments as PostgreSQL counts them."""
    return np.asarray(since_1970_us, dtype=np.int64) - _EPOCH_US


def copy_columns(table: str, groups: Sequence[Mapping[str, Column]]) -> None:
    """
    Add rows to a table.

    Parameters
    ----------
    table : str
        Its name, from our own code.
    groups : sequence of mappings of column name to values
        All with the same columns in the same order. Words have one length in a group: one word for all of it.
        An array's type is the column's: int64 bigint and timestamptz, int16 smallint, float64 double
        precision, bool boolean.
    """
    names = ", ".join(groups[0])
    with (
        connection.cursor() as cursor,
        cursor.copy(f"COPY {table} ({names}) FROM STDIN (FORMAT BINARY)") as copy,
    ):
        copy.write(HEADER)
        for group in groups:
            copy.write(_packed(group))
        copy.write(END)


def _packed(columns: Mapping[str, Column]) -> bytes:
    arrays = {name: np.asarray(values) for name, values in columns.items()}
    fields = [("cells", ">i2")]
    for name, values in arrays.items():
        fields += [(f"{name} length", ">i4"), (name, values.dtype.newbyteorder(">"))]
    rows = np.empty(max(values.size for values in arrays.values()), dtype=fields)
    rows["cells"] = len(arrays)
    for name, values in arrays.items():
        rows[f"{name} length"] = values.dtype.itemsize
        rows[name] = values
    return rows.tobytes()


@dataclass(frozen=True)
class Cells:
    """A column as PostgreSQL takes it: the bytes of each cell, and how many of them count; -1 for NULL."""

    data: np.ndarray
    """(rows, widest cell) of bytes."""
    length: np.ndarray

    @classmethod
    def of(cls, column: np.ndarray) -> "Cells":
        """Return a column's cells. NaN, NaT and what is masked are NULL.

        An array's type is the column's: float64 double precision, int32 integer, int64 bigint, bool boolean,
        datetime64[D] date, datetime64[us] timestamptz, text and bytes varchar (ASCII), void bytea.
        """
        kind, values = column.dtype.kind, np.ma.getdata(column)
        if kind == "U":
            values = values.astype("S")
        unknown = np.ma.getmaskarray(column) | (values != values if kind in "fM" else False)
        if kind == "M" and column.dtype == "datetime64[D]":
            values = np.where(unknown, _EPOCH_DAY, values)
            values = (values - _EPOCH_DAY).astype(np.int32)
        elif kind == "M":
            values = np.where(unknown, np.datetime64(0, "us"), values).astype("datetime64[us]")
            values = moments(values.astype(np.int64))
        width = values.dtype.itemsize
        if kind in "US":
            length = np.char.str_len(values).astype(np.int32)
        else:
            length = np.full(len(values), width, dtype=np.int32)
        big_endian = values if kind in "USV" else values.astype(values.dtype.newbyteorder(">"))
        data = np.ascontiguousarray(big_endian).view(np.uint8).reshape(len(values), width)
        return cls(data, np.where(unknown, -1, length))

    @classmethod
    def json(cls, value: object, count: int) -> "Cells":
        """Return so many cells of one JSON; jsonb begins with its version, 1."""
        return cls.of(np.full(count, b"\x01" + orjson.dumps(value)))

    def rows(self, begin: int, end: int) -> "Cells":
        """Return some of the rows."""
        return Cells(self.data[begin:end], self.length[begin:end])

    def followed_by(self, more: "Cells") -> "Cells":
        """Return cells of whole width with other cells put behind them."""
        return Cells(np.hstack([self.data, more.data]), self.length + more.length)


def copied_rows(columns: Sequence[Cells]) -> bytes:
    """Return rows of a binary COPY, without its header and end."""
    count = len(columns[0].length)
    width = 2 + sum(4 + column.data.shape[1] for column in columns)
    rows = np.zeros((count, width), dtype=np.uint8)
    counts = np.ones(rows.shape, dtype=bool)
    rows[:, :2] = np.frombuffer(struct.pack(">h", len(columns)), np.uint8)
    place = 2
    for column in columns:
        widest = column.data.shape[1]
        length = np.ascontiguousarray(column.length.astype(">i4"))
        rows[:, place : place + 4] = length.view(np.uint8).reshape(count, 4)
        rows[:, place + 4 : place + 4 + widest] = column.data
        if np.any(column.length != widest):
            counts[:, place + 4 : place + 4 + widest] = np.arange(widest) < column.length[:, None]
        place += 4 + widest
    return rows[counts].tobytes()
