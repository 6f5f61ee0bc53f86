"""Reads a query as columns of floats, without an object per row. Both databases give the same arrays.

The client of PostgreSQL takes a result row by row, which costs more than the rows: there many rows come as
one row of binary arrays, which numpy reads in place.
"""

from dataclasses import dataclass

import numpy as np
from django.db import connection
from django.db.models import Lookup, Q
from psycopg import Cursor
from psycopg.adapt import Loader
from psycopg.pq import Format

_ARRAY_HEAD = 20
"""Bytes before an array's cells: dimensions, nulls, type, length, first index."""
_CELL = np.dtype([("length", ">i4"), ("value", ">f8")])


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


def ranges_of(ids: list[int], size: int) -> list[UnitRange]:
    """Cut sorted ids into ranges of so many."""
    return [UnitRange(part[0], part[-1]) for part in (ids[i : i + size] for i in range(0, len(ids), size))]


def is_postgres() -> bool:
    """Say whether the default database is PostgreSQL."""
    return connection.vendor == "postgresql"


def days_of(column: str) -> str:
    """SQL for a moment as days since 1970-01-01 UTC."""
    if is_postgres():
        # Whole microseconds over those of a day: the bits of ``to_days``. extract() is slow.
        return f"(round(date_part('epoch', {column}) * 1e6::float8) / 864e8::float8)"
    return f"(unixepoch({column}) / 86400.0)"


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
    return f"CASE {column} {whens} ELSE -1 END"


def read_columns(columns: dict[str, str], rest: str, packed_by: str = "()") -> dict[str, np.ndarray]:
    """Return the columns of ``SELECT … rest`` as float64 arrays, NULL as NaN, rows in any order.

    Parameters
    ----------
    columns : dict of name to SQL expression
    rest : str
        Everything from FROM on, without ORDER BY. Takes no parameters: callers put whole numbers only.
    packed_by : str
        SQL expression: PostgreSQL packs rows that agree on it into one, which holds 80 million cells at most.

    Returns
    -------
    dict of name to array, all of one length
    """
    table = (_read_postgres if is_postgres() else _read_rows)(list(columns.values()), rest, packed_by)
    return dict(zip(columns, table, strict=True))


def _read_rows(expressions: list[str], rest: str, _packed_by: str) -> list[np.ndarray]:
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {', '.join(expressions)} {rest}")
        rows = cursor.fetchall()
    return list(np.array(rows, dtype=np.float64).reshape(len(rows), len(expressions)).T.copy())


class _FloatArray(Loader):
    """PostgreSQL's binary form of an array of float8 without nulls."""

    format = Format.BINARY

    def load(self, data):
        return np.frombuffer(data, _CELL, offset=_ARRAY_HEAD)["value"].astype(np.float64)


def _read_postgres(expressions: list[str], rest: str, packed_by: str) -> list[np.ndarray]:
    packed = ", ".join(f"array_agg(COALESCE(({e})::float8, 'NaN'::float8))" for e in expressions)
    connection.ensure_connection()
    # Django's own cursor takes answers as text only.
    with connection.wrap_database_errors, Cursor(connection.connection) as cursor:
        cursor.format = Format.BINARY
        cursor.adapters.register_loader(cursor.adapters.types["float8"].array_oid, _FloatArray)
        cursor.execute(f"SELECT {packed} {rest} GROUP BY {packed_by}")
        rows = [row for row in cursor.fetchall() if row[0] is not None]
    return list(map(np.concatenate, zip(*rows, strict=True))) or [np.empty(0) for _ in expressions]


class AnyOf(Lookup):
    """``filter(serial__any_of=[…])``: one array on PostgreSQL; ``in`` writes each value into the SQL."""

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
