"""Writes many rows over old ones: COPY and one INSERT on PostgreSQL, the ORM's bulk write elsewhere."""

import json
from collections.abc import Callable, Iterator
from itertools import islice
from typing import Any, Final

from django.db import connection, transaction
from django.db.models import JSONField, Model

from fleet.queries.column_reader import is_postgres
from fleet.services.state_table import StateTable

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
        write_over(list(table.rows()), key)
        return
    meta = table.model._meta
    names = [field.attname for field in meta.concrete_fields]
    texts = [_as_text(table.columns[name]) for name in names if name != "numbers"]
    # COPY reads a backslash as the beginning of something else.
    texts.insert(names.index("numbers"), [row.decode().replace("\\", "\\\\") for row in table.numbers])

    def write(copy: Any) -> None:
        for lines in _in_pieces(map("\t".join, zip(*texts, strict=True))):
            copy.write("\n".join(lines) + "\n")

    _copy_over(table.model, key, write)


def _as_text(column: list) -> list[str]:
    return ["\\N" if value is None else str(value) for value in column]


def _in_pieces(lines: Iterator[str]) -> Iterator[list[str]]:
    while piece := list(islice(lines, BATCH)):
        yield piece


def _copy_rows(rows: list[Model]) -> Callable[[Any], None]:
    names = [(field.attname, isinstance(field, JSONField)) for field in rows[0]._meta.concrete_fields]

    def write(copy: Any) -> None:
        for row in rows:
            held = row.__dict__
            copy.write_row([json.dumps(held[name]) if is_json else held[name] for name, is_json in names])

    return write


def _copy_over(model: type[Model], key: str, write: Callable[[Any], None]) -> None:
    meta = model._meta
    fields = meta.concrete_fields
    quote = connection.ops.quote_name
    table, staged = quote(meta.db_table), quote(f"staged_{meta.db_table}")
    listed = ", ".join(quote(field.column) for field in fields)
    unique = quote(meta.get_field(key).column)
    others = [quote(field.column) for field in fields if field.name != key]
    changes = ", ".join(f"{column} = EXCLUDED.{column}" for column in others)
    was, becomes = ", ".join(f"{table}.{c}" for c in others), ", ".join(f"EXCLUDED.{c}" for c in others)
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(f"CREATE TEMPORARY TABLE IF NOT EXISTS {staged} (LIKE {table}) ON COMMIT DROP")
        cursor.execute(f"TRUNCATE {staged}")
        with cursor.copy(f"COPY {staged} ({listed}) FROM STDIN") as copy:
            write(copy)
        cursor.execute(
            f"INSERT INTO {table} ({listed}) SELECT {listed} FROM {staged} "
            f"ON CONFLICT ({unique}) DO UPDATE SET {changes} "
            f"WHERE ({was}) IS DISTINCT FROM ({becomes})"
        )
