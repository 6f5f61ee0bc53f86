"""Writes many rows over old ones: COPY and one INSERT on PostgreSQL, the ORM's bulk write elsewhere."""

import json
from typing import Final

from django.db import connection, transaction
from django.db.models import JSONField, Model

from fleet.queries.column_reader import is_postgres

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
        _copy_over(rows, key)
        return
    model = type(rows[0])
    columns = [field.name for field in model._meta.concrete_fields if field.name != key]
    model.objects.bulk_create(
        rows, batch_size=BATCH, update_conflicts=True, unique_fields=[key], update_fields=columns
    )


def _copy_over(rows: list[Model], key: str) -> None:
    meta = type(rows[0])._meta
    fields = meta.concrete_fields
    quote = connection.ops.quote_name
    table, staged = quote(meta.db_table), quote(f"staged_{meta.db_table}")
    listed = ", ".join(quote(field.column) for field in fields)
    unique = quote(meta.get_field(key).column)
    changes = ", ".join(
        f"{quote(field.column)} = EXCLUDED.{quote(field.column)}" for field in fields if field.name != key
    )
    names = [(field.attname, isinstance(field, JSONField)) for field in fields]
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(f"CREATE TEMPORARY TABLE IF NOT EXISTS {staged} (LIKE {table}) ON COMMIT DROP")
        cursor.execute(f"TRUNCATE {staged}")
        with cursor.copy(f"COPY {staged} ({listed}) FROM STDIN") as copy:
            for row in rows:
                held = row.__dict__
                copy.write_row([json.dumps(held[name]) if is_json else held[name] for name, is_json in names])
        cursor.execute(
            f"INSERT INTO {table} ({listed}) SELECT {listed} FROM {staged} "
            f"ON CONFLICT ({unique}) DO UPDATE SET {changes}"
        )
