"""Writes columns into a table of PostgreSQL by binary COPY: numbers go over as they lie in memory."""

import struct
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Final

import numpy as np
from django.db import connection

HEADER: Final = b"PGCOPY\n\xff\r\n\x00" + struct.pack(">ii", 0, 0)
END: Final = struct.pack(">h", -1)
"""PostgreSQL's manual, COPY, "Binary Format": signature, flags, extension; -1 ends the rows."""
_EPOCH_US: Final = round(datetime(2000, 1, 1, tzinfo=UTC).timestamp() * 1e6)
"""PostgreSQL counts a moment from here. [µs since 1970-01-01 UTC]"""

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
