"""Writes many rows over old ones: COPY and one INSERT on PostgreSQL, the ORM's bulk write elsewhere."""

import json
from collections.abc import Callable
from typing import Any, Final

import orjson
from django.db import connection, transaction
from django.db.models import Field, JSONField, Model

from fleet.queries.column_reader import is_postgres
from fleet.services.binary_copy import END, HEADER, Cells, copied_rows
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


def _column(model: type[Model], name: str) -> str:
    return connection.ops.quote_name(_field(model, name).column)


def _field(model: type[Model], name: str) -> Field:
    return next(field for field in model._meta.concrete_fields if field.attname == name)


def _stage(cursor: Any, model: type[Model], rows: list[dict[str, Any]], what: str) -> tuple[str, str]:
    """Put rows into a temporary table; return its name and its columns."""
    quote = connection.ops.quote_name
    staged = quote(f"staged_{what}_{model._meta.db_table}")
    listed = ", ".join(_column(model, name) for name in rows[0])
    json_names = {name for name in rows[0] if isinstance(_field(model, name), JSONField)}
    table = quote(model._meta.db_table)
    cursor.execute(
        f"CREATE TEMPORARY TABLE IF NOT EXISTS {staged} ON COMMIT DROP AS SELECT {listed} FROM {table} "
        "WITH NO DATA"
    )
    cursor.execute(f"TRUNCATE {staged}")
    with cursor.copy(f"COPY {staged} ({listed}) FROM STDIN") as copy:
        for row in rows:
            copy.write_row(
                [orjson.dumps(cell).decode() if name in json_names else cell for name, cell in row.items()]
            )
    return staged, listed


def _copy_rows(rows: list[Model]) -> Callable[[Any], None]:
    names = [(field.attname, isinstance(field, JSONField)) for field in rows[0]._meta.concrete_fields]

    def write(copy: Any) -> None:
        for row in rows:
            held = row.__dict__
            copy.write_row([json.dumps(held[name]) if is_json else held[name] for name, is_json in names])

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
