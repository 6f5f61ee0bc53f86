"""Writes many rows over old ones: COPY and one INSERT on PostgreSQL, the ORM's bulk write elsewhere."""

from collections.abc import Mapping
from typing import Any, Final

import orjson
from django.db import connection, transaction
from django.db.models import JSONField, Model

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


def _copy_over(model: type[Model], columns: Mapping[str, list[Any]], key: str) -> None:
    meta, quote = model._meta, connection.ops.quote_name
    fields = [field for field in meta.concrete_fields if field.attname in columns]
    cells = [
        [orjson.dumps(cell).decode() for cell in columns[field.attname]]
        if isinstance(field, JSONField)
        else columns[field.attname]
        for field in fields
    ]
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
