"""Writes columns into a table of PostgreSQL by binary COPY: numbers go over as they lie in memory.

Rows of a state table as columns: an object or a figure by name only where somebody asks for it.
Writes many rows over old ones: COPY and one INSERT on PostgreSQL, the ORM's bulk write elsewhere.
"""

import struct
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Final, Generic, TypeVar

import numpy as np
import orjson
from django.db import connection, transaction
from django.db.models import Field, JSONField, Model

from fleet.database.columns import is_postgres
from fleet.models import Layout
from shared.translation import MessageField

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


Row = TypeVar("Row", bound=Model)


@dataclass(frozen=True)
class StateTable(Generic[Row]):
    """Unsaved rows of one model, column by column. Every field of the model but its figures has its column.

    ``columns`` are arrays by attribute name: floats with NaN, days and moments with NaT, whole numbers
    masked where unknown, words as text. ``records`` are the figures, packed by ``layout``; ``notes`` by row
    go with them.
    """

    model: type[Row]
    columns: dict[str, np.ndarray]
    layout: Layout
    records: np.ndarray
    notes: dict[int, dict] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.records)

    def packed(self, i: int) -> bytes:
        """Return a row's figures and note as they are kept."""
        note = self.notes.get(i)
        return self.records[i].tobytes() + (orjson.dumps(note) if note else b"")

    def packed_cells(self) -> Cells:
        """Return the same of all rows, for binary COPY."""
        records = Cells.of(self.records.view(f"V{self.layout.size}"))
        if not self.notes:
            return records
        notes = [orjson.dumps(note) if note else b"" for note in map(self.notes.get, range(len(self)))]
        return records.followed_by(Cells.of(np.array(notes)))

    def numbers(self, i: int) -> dict[str, Any]:
        """Return a row's figures by name."""
        return self.layout.unpack(self.packed(i))

    def seen(self, rows: np.ndarray) -> list["Seen"]:
        """Return some rows to read cells from; cheaper than objects."""
        cells = _Cells(self, rows)
        return [Seen(cells, i) for i in range(len(rows))]

    def rows(self) -> list[Row]:
        """Return every row as an object."""
        values = zip(*map(plains, self.columns.values()), strict=True)
        return [
            self.model(**dict(zip(self.columns, row, strict=True)), packed=self.packed(i))
            for i, row in enumerate(values)
        ]


class _Cells:
    """Some rows of a state table; a column becomes plain values when a cell of it is asked for."""

    def __init__(self, table: StateTable, rows: np.ndarray):
        self.table, self.rows = table, rows
        self.known: dict[str, list] = {}

    def column(self, name: str) -> list:
        if name not in self.known:
            self.known[name] = plains(self.table.columns[name][self.rows])
        return self.known[name]


class Seen:
    """One row of a state table: its cells and ``numbers`` by name."""

    __slots__ = ("_cells", "_i")

    def __init__(self, cells: _Cells, i: int):
        self._cells, self._i = cells, i

    def __getattr__(self, name: str) -> Any:
        if name == "numbers":
            return self._cells.table.numbers(int(self._cells.rows[self._i]))
        return self._cells.column(name)[self._i]


def plains(column: np.ndarray) -> list[Any]:
    """Return a column as plain values: None for what is unknown, moments in UTC."""
    if column.dtype.kind == "f":
        return [None if value != value else value for value in column.tolist()]
    if column.dtype == "datetime64[us]":
        return [value and value.replace(tzinfo=UTC) for value in column.tolist()]
    return column.tolist()


def rounded(values: np.ndarray, digits: int = 4) -> np.ndarray:
    """Floats fit for people: rounded, NaN for what is not finite."""
    return np.where(np.isfinite(values), np.round(values, digits), np.nan)


def words(by_code: Mapping[int, str], codes: np.ndarray) -> np.ndarray:
    """Return the word of each code."""
    return np.array([by_code.get(code, "") for code in range(max(by_code) + 1)])[codes]


def moment_for_all(moment: datetime, count: int) -> np.ndarray:
    """Return a column of one moment."""
    return np.full(count, np.datetime64(moment.astimezone(UTC).replace(tzinfo=None), "us"))


BATCH: Final = 2000
WORTH_COPYING: Final = 200
"""Below this many rows a temporary table costs more than it saves."""


def write_over(rows: list[Model], key: str) -> None:
    """Insert rows, or overwrite those with the same key. Both ways give the same rows.

    Parameters
    ----------
    rows : list of one model's objects, every field set
        Each key once. Words are plain text, not members of a choice.
    key : str
        Name of the unique field.
    """
    if not rows:
        return
    if is_postgres() and len(rows) >= WORTH_COPYING:
        _copy_over(type(rows[0]), key, _copy_rows(rows))
        return
    model = type(rows[0])
    columns = [field.name for field in model._meta.concrete_fields if field.name != key]
    model.objects.bulk_create(
        rows, batch_size=BATCH, update_conflicts=True, unique_fields=[key], update_fields=columns
    )


def write_table_over(table: StateTable, key: str) -> None:
    """Insert rows that are columns, or overwrite those with the same key. Same rows as ``write_over``.

    On PostgreSQL a row that is as it was is not written.
    """
    if not is_postgres() or len(table) < WORTH_COPYING:
        write_over(table.rows(), key)
        return
    # A row's figures stand in one place only: a JSON of the release before must not outlive them.
    cells = {name: Cells.of(column) for name, column in table.columns.items()}
    cells |= {"packed": table.packed_cells(), "written_numbers": Cells.json({}, len(table))}
    order = [cells[field.attname] for field in table.model._meta.concrete_fields]

    def write(copy: Any) -> None:
        copy.write(HEADER)
        for begin in range(0, len(table), BATCH):
            copy.write(copied_rows([column.rows(begin, begin + BATCH) for column in order]))
        copy.write(END)

    _copy_over(table.model, key, write, is_binary=True)


def add_rows(model: type[Model], rows: list[dict[str, Any]]) -> None:
    """Insert rows, but not where the database has one that must stay alone. Each has the same names."""
    if not rows:
        return
    if not is_postgres() or len(rows) < WORTH_COPYING:
        model.objects.bulk_create((model(**row) for row in rows), batch_size=BATCH, ignore_conflicts=True)
        return
    whole = [_whole_row(model, row) for row in rows]
    with transaction.atomic(), connection.cursor() as cursor:
        staged, listed = _stage(cursor, model, whole, "new")
        table = connection.ops.quote_name(model._meta.db_table)
        cursor.execute(f"INSERT INTO {table} ({listed}) SELECT {listed} FROM {staged} ON CONFLICT DO NOTHING")


def change_rows(
    model: type[Model],
    rows: list[dict[str, Any]],
    key: str,
    *,
    same: dict[str, Any],
    at_most: dict[str, Any],
) -> None:
    """Change columns of rows that are there.

    Parameters
    ----------
    rows : list of dict by attribute name
        What each row becomes, and its ``key``.
    same : dict
        What they all become.
    at_most : dict
        What they become where they are more.
    """
    if not rows:
        return
    if not is_postgres() or len(rows) < WORTH_COPYING:
        old = model.objects.in_bulk([row[key] for row in rows])
        write_over([_changed(old[row[key]], row | same, at_most) for row in rows], key)
        return
    quote = connection.ops.quote_name
    table = quote(model._meta.db_table)
    with transaction.atomic(), connection.cursor() as cursor:
        staged, _listed = _stage(cursor, model, rows, "changed")
        columns = [_column(model, name) for name in rows[0] if name != key]
        changes = [f"{column} = {staged}.{column}" for column in columns]
        changes += [f"{_column(model, name)} = %s" for name in same]
        changes += [f"{_column(model, name)} = LEAST({table}.{_column(model, name)}, %s)" for name in at_most]
        cursor.execute(
            f"UPDATE {table} SET {', '.join(changes)} FROM {staged} "
            f"WHERE {table}.{_column(model, key)} = {staged}.{_column(model, key)}",
            [*same.values(), *at_most.values()],
        )


def _changed(row: Model, becomes: dict[str, Any], at_most: dict[str, Any]) -> Model:
    for name, value in becomes.items():
        setattr(row, name, value)
    for name, value in at_most.items():
        setattr(row, name, min(getattr(row, name), value))
    return row


def _whole_row(model: type[Model], row: dict[str, Any]) -> dict[str, Any]:
    """Return a row with every column but its id, those not named as the model has them."""
    return {
        field.attname: row[field.attname] if field.attname in row else field.get_default()
        for field in model._meta.concrete_fields
        if not field.primary_key
    }


def _cell(field: Field, value: Any) -> Any:
    if isinstance(field, JSONField):
        return orjson.dumps(value).decode()
    return field.get_prep_value(value) if isinstance(field, MessageField) else value


def _column(model: type[Model], name: str) -> str:
    return connection.ops.quote_name(_field(model, name).column)


def _field(model: type[Model], name: str) -> Field:
    return next(field for field in model._meta.concrete_fields if field.attname == name)


def _stage(cursor: Any, model: type[Model], rows: list[dict[str, Any]], what: str) -> tuple[str, str]:
    """Put rows into a temporary table; return its name and its columns."""
    quote = connection.ops.quote_name
    staged = quote(f"staged_{what}_{model._meta.db_table}")
    listed = ", ".join(_column(model, name) for name in rows[0])
    fields = {name: _field(model, name) for name in rows[0]}
    table = quote(model._meta.db_table)
    cursor.execute(
        f"CREATE TEMPORARY TABLE IF NOT EXISTS {staged} ON COMMIT DROP AS SELECT {listed} FROM {table} "
        "WITH NO DATA"
    )
    cursor.execute(f"TRUNCATE {staged}")
    with cursor.copy(f"COPY {staged} ({listed}) FROM STDIN") as copy:
        for row in rows:
            copy.write_row([_cell(fields[name], value) for name, value in row.items()])
    return staged, listed


def _copy_rows(rows: list[Model]) -> Callable[[Any], None]:
    fields = rows[0]._meta.concrete_fields

    def write(copy: Any) -> None:
        for row in rows:
            held = row.__dict__
            copy.write_row([_cell(field, held[field.attname]) for field in fields])

    return write


def _copy_over(
    model: type[Model], key: str, write: Callable[[Any], None], *, is_binary: bool = False
) -> None:
    meta = model._meta
    fields = meta.concrete_fields
    quote = connection.ops.quote_name
    table, staged = quote(meta.db_table), quote(f"staged_{meta.db_table}")
    listed = ", ".join(quote(field.column) for field in fields)
    unique = quote(meta.get_field(key).column)
    others = [quote(field.column) for field in fields if field.name != key]
    changes = ", ".join(f"{column} = EXCLUDED.{column}" for column in others)
    how = " (FORMAT BINARY)" if is_binary else ""
    was, becomes = ", ".join(f"{table}.{c}" for c in others), ", ".join(f"EXCLUDED.{c}" for c in others)
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(f"CREATE TEMPORARY TABLE IF NOT EXISTS {staged} (LIKE {table}) ON COMMIT DROP")
        cursor.execute(f"TRUNCATE {staged}")
        with cursor.copy(f"COPY {staged} ({listed}) FROM STDIN{how}") as copy:
            write(copy)
        cursor.execute(
            f"INSERT INTO {table} ({listed}) SELECT {listed} FROM {staged} "
            f"ON CONFLICT ({unique}) DO UPDATE SET {changes} "
            f"WHERE ({was}) IS DISTINCT FROM ({becomes})"
        )
