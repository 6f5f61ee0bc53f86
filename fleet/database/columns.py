"""Reads a query as columns of floats, without an object per row.

Which treatment units a query is about.
The look-up ``any_of``: one array parameter on PostgreSQL, where ``in`` writes every value into the SQL.

PostgreSQL streams binary COPY. Its client takes rows one by one, which costs more than the rows: long tables
are therefore packed, many rows into one row of arrays, and taken apart by numpy. SQLite hands over tuples.
All give the same arrays.
"""

import math
import struct
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from django.db import connection
from django.db.models import Lookup, Q

_ARRAY_HEAD = 20
"""Bytes before an array's cells: dimensions, nulls, type, length, first index."""
_CELL = 12
"""Bytes of one float8 in an array, its length before it."""
_SIGNATURE = b"PGCOPY\n\xff\r\n\x00"
_CASE = "CASE {column} {whens} ELSE -1 END"


def is_postgres() -> bool:
    """Say whether the default database is PostgreSQL."""
    return connection.vendor == "postgresql"


def days_of(column: str) -> str:
    """SQL for a moment as days since 1970-01-01 UTC."""
    if is_postgres():
        # Whole microseconds over those of a day: the bits of ``to_days``. extract() is slow.
        return f"(round(date_part('epoch', {column}) * 1e6::float8) / 864e8::float8)"
    return f"(unixepoch({column}) / 86400.0)"


def by_then(column: str, until_d: float) -> str:
    """SQL that a moment is not after another, to a second: lets PostgreSQL leave out partitions to come."""
    if not is_postgres():
        return "TRUE"
    return f"{column} <= timestamptz '{datetime.fromtimestamp(math.ceil(until_d * 86400), UTC)}'"


def days_of_date(column: str) -> str:
    """SQL for a calendar date as days since 1970-01-01."""
    if is_postgres():
        return f"({column} - date '1970-01-01')"
    return f"(julianday({column}) - 2440587.5)"


def flag_of(column: str) -> str:
    """SQL for a yes-or-no column as 1 or 0."""
    return f"CASE WHEN {column} THEN 1 ELSE 0 END"


def number_of(column: str, numbers: dict[str, int]) -> str:
    """SQL that turns known words into numbers; an unknown word becomes -1."""
    whens = " ".join(f"WHEN '{word}' THEN {number}" for word, number in numbers.items())
    return _CASE.format(column=column, whens=whens)


def read_columns(columns: dict[str, str], rest: str, packed_by: str = "") -> dict[str, np.ndarray]:
    """Return the columns of ``SELECT … rest`` as float64 arrays, NULL as NaN.

    Parameters
    ----------
    columns : dict of name to SQL expression
    rest : str
        Everything from FROM on. Takes no parameters: callers put whole numbers only.
    packed_by : str
        SQL expression: PostgreSQL packs rows that agree on it into one. Rows then come in any order, and
        ``rest`` has no ORDER BY.

    Returns
    -------
    dict of name to array, all of one length
    """
    if is_postgres() and packed_by:
        table = _read_packed(list(columns.values()), rest, packed_by)
    elif is_postgres():
        table = _read_postgres(list(columns.values()), rest)
    else:
        table = _read_rows(list(columns.values()), rest)
    return {name: np.ascontiguousarray(table[:, i]) for i, name in enumerate(columns)}


def _read_rows(expressions: list[str], rest: str) -> np.ndarray:
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {', '.join(expressions)} {rest}")
        rows = cursor.fetchall()
    return np.array(rows, dtype=np.float64).reshape(len(rows), len(expressions))


def _read_postgres(expressions: list[str], rest: str) -> np.ndarray:
    cast = ", ".join(f"COALESCE(({e})::float8, 'NaN'::float8)" for e in expressions)
    with (
        connection.cursor() as cursor,
        cursor.copy(f"COPY (SELECT {cast} {rest}) TO STDOUT (FORMAT BINARY)") as copy,
    ):
        data = b"".join(copy)
    return _parse_binary(data, len(expressions))


def _read_packed(expressions: list[str], rest: str, packed_by: str) -> np.ndarray:
    cast = ", ".join(f"array_agg(COALESCE(({e})::float8, 'NaN'::float8))" for e in expressions)
    query = f"SELECT {cast} {rest} GROUP BY {packed_by}"
    with connection.cursor() as cursor, cursor.copy(f"COPY ({query}) TO STDOUT (FORMAT BINARY)") as copy:
        data = b"".join(copy)
    width, place, pieces = len(expressions), _start_of(data), []
    while True:
        (fields,) = struct.unpack_from(">h", data, place)
        if fields < 0:
            break
        (length,) = struct.unpack_from(">i", data, place + 2)
        field = 4 + length
        block = np.frombuffer(data, np.uint8, width * field, place + 2).reshape(width, field)
        cells = block[:, 4 + _ARRAY_HEAD :].reshape(width, -1, _CELL)[:, :, 4:]
        pieces.append(cells.tobytes())
        place += 2 + width * field
    counts = [len(piece) // (8 * width) for piece in pieces]
    table = np.empty((sum(counts), width))
    begin = 0
    for piece, count in zip(pieces, counts, strict=True):
        table[begin : begin + count] = np.frombuffer(piece, ">f8").reshape(width, count).T
        begin += count
    return table


def _parse_binary(data: bytes, width: int) -> np.ndarray:
    """Read PostgreSQL's binary COPY format where every field is a float8."""
    start = _start_of(data)
    row = np.dtype([("fields", ">i2"), ("cells", [("length", ">i4"), ("value", ">f8")], (width,))])
    count = (len(data) - start - 2) // row.itemsize
    rows = np.frombuffer(data, dtype=row, count=count, offset=start)
    return rows["cells"]["value"].astype(np.float64)


def _start_of(data: bytes) -> int:
    """Return where the rows of a binary COPY begin."""
    if not data.startswith(_SIGNATURE):
        raise ValueError("The database answered COPY in an unknown form.")
    (extension,) = struct.unpack_from(">i", data, len(_SIGNATURE) + 4)
    return len(_SIGNATURE) + 8 + int(extension)


@dataclass(frozen=True)
class UnitRange:
    """Which treatment units a shard holds: all ids from first to last, or just those listed."""

    first_id: int = 0
    last_id: int = 0
    only_ids: tuple[int, ...] = ()
    except_ids: tuple[int, ...] = ()

    def where(self, column: str) -> str:
        """SQL condition on an id column. Holds whole numbers only."""
        but = f" AND {column} NOT IN ({_listed(self.except_ids)})" if self.except_ids else ""
        if self.only_ids:
            return f"{column} IN ({_listed(self.only_ids)}){but}"
        return f"{column} BETWEEN {int(self.first_id)} AND {int(self.last_id)}{but}"

    def condition(self, column: str) -> Q:
        """The same as a condition of the ORM."""
        held = Q(**{f"{column}__gte": self.first_id, f"{column}__lte": self.last_id})
        if self.only_ids:
            held = Q(**{f"{column}__in": sorted(self.only_ids)})
        return held & ~Q(**{f"{column}__in": self.except_ids}) if self.except_ids else held


def _listed(ids: tuple[int, ...]) -> str:
    return ", ".join(str(int(one)) for one in sorted(ids))


class AnyOf(Lookup):
    """``filter(serial__any_of=[…])``: like ``in``, and a thousand values cost what one does to prepare."""

    lookup_name = "any_of"
    prepare_rhs = False

    def get_db_prep_lookup(self, value, connection):
        """Hand the values over as they are: keys and serials."""
        return "%s", [list(value)]

    def as_sql(self, compiler, connection):
        """Write what every database understands."""
        left, params = self.process_lhs(compiler, connection)
        values = list(self.rhs)
        if not values:
            return "1 = 0", []
        return f"{left} IN ({', '.join(['%s'] * len(values))})", [*params, *values]

    def as_postgresql(self, compiler, connection):
        """Write one parameter."""
        left, params = self.process_lhs(compiler, connection)
        return f"{left} = ANY(%s)", [*params, list(self.rhs)]
