"""Writes many rows at once: columns by binary COPY as they lie in memory, and rows over old ones."""

import struct
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, Final

import numpy as np
import orjson
from django.db import connection, transaction
from django.db.models import Field, JSONField, Model

from shared.messages import stored_within
from shared.translation import MessageField

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


BATCH: Final = 2000
WORTH_COPYING: Final = 200
"""Below this many rows a temporary table costs more than it saves."""


def write_rows(model: type[Model], columns: Mapping[str, list[Any]], key: str = "") -> None:
    """Insert rows, or overwrite those with the same key. Both ways give the same rows.

    Parameters
    ----------
    columns : mapping of attribute name to values
        All of one length. Words are plain text, not members of a choice.
    key : str
        Name of the unique field; each value of it once. Without one, rows that the database has already are
        left as they are. On PostgreSQL a row that is as it was is not written.
    """
    count = len(next(iter(columns.values()), ()))
    if connection.vendor == "postgresql" and count >= WORTH_COPYING:
        _copy_over(model, columns, key)
    elif count:
        names = [name for name in columns if name != model._meta.get_field(key).attname] if key else []
        how = {"update_conflicts": True, "unique_fields": [key], "update_fields": _field_names(model, names)}
        model.objects.bulk_create(
            (model(**dict(zip(columns, row, strict=True))) for row in zip(*columns.values(), strict=True)),
            batch_size=BATCH,
            **(how if key else {"ignore_conflicts": True}),
        )


def _field_names(model: type[Model], attributes: list[str]) -> list[str]:
    return [field.name for field in model._meta.concrete_fields if field.attname in attributes]


def _cells(field: Field, column: list[Any]) -> list[Any]:
    if isinstance(field, JSONField):
        return [orjson.dumps(stored_within(cell)).decode() for cell in column]
    return [field.get_prep_value(cell) for cell in column] if isinstance(field, MessageField) else column


def _copy_over(model: type[Model], columns: Mapping[str, list[Any]], key: str) -> None:
    meta, quote = model._meta, connection.ops.quote_name
    fields = [field for field in meta.concrete_fields if field.attname in columns]
    cells = [_cells(field, columns[field.attname]) for field in fields]
    table, staged = quote(meta.db_table), quote(f"staged_{meta.db_table}_{key or 'new'}")
    listed = ", ".join(quote(field.column) for field in fields)
    answer = "DO NOTHING"
    if key:
        others = [quote(field.column) for field in fields if field.name != key]
        changes = ", ".join(f"{column} = EXCLUDED.{column}" for column in others)
        was, becomes = (", ".join(f"{of}.{column}" for column in others) for of in (table, "EXCLUDED"))
        unique = quote(meta.get_field(key).column)
        answer = f"({unique}) DO UPDATE SET {changes} WHERE ({was}) IS DISTINCT FROM ({becomes})"
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(
            f"CREATE TEMPORARY TABLE IF NOT EXISTS {staged} ON COMMIT DROP AS SELECT {listed} FROM {table} "
            "WITH NO DATA"
        )
        cursor.execute(f"TRUNCATE {staged}")
        with cursor.copy(f"COPY {staged} ({listed}) FROM STDIN") as copy:
            for row in zip(*cells, strict=True):
                copy.write_row(row)
        cursor.execute(f"INSERT INTO {table} ({listed}) SELECT {listed} FROM {staged} ON CONFLICT {answer}")
