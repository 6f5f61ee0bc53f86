"""Keeps the tables of readings in monthly partitions, on PostgreSQL.

A fresh install has them from its first ``migrate``. Rows that are there already are moved by a command while
others work: a new, partitioned table is filled beside the old one, a trigger mirrors what is written
meanwhile, what was there before is copied in batches, both are compared in one snapshot, and in a moment
under a lock they change names. Every step may be cut off and run again.
"""

import re
from collections.abc import Callable
from contextlib import contextmanager
from datetime import UTC, date, datetime
from typing import Final

from django.db import connection, transaction

from fleet.database import stale_flags
from shared.errors import CannotDo
from shared.periods import add_months

TABLES: Final = ("fleet_meterreading", "fleet_performancereading")
KEY: Final = "read_at"
MONTHS_BACK: Final = 12
"""So far back a fresh install has months; what is older lies together in one partition, ``…_earlier``."""
MONTHS_AHEAD: Final = 12
"""So far ahead partitions are made; ``migrate`` makes the next. Beyond, the default partition takes rows."""
BATCH_IDS: Final = 20_000


def is_partitioned(table: str) -> bool:
    """Say whether a table is in partitions; never on SQLite."""
    return connection.vendor == "postgresql" and _kind(table) == "p"


def partition(table: str, today: date, *, lock_s: int, tell: Callable[[str], None]) -> None:
    """Move a table of readings into monthly partitions, or go on where an earlier call was cut off.

    Parameters
    ----------
    table : str
        One of ``TABLES``.
    today : date
        Partitions reach ``MONTHS_AHEAD`` beyond.
    lock_s : int
        Longest wait for the table at the change of names; then everything stays as it was.
    tell : callable
        Told how far it is.

    Raises
    ------
    CannotDo
        On another database, or when the copy is not the same number of rows.
    django.db.OperationalError
        When traffic holds the table longer than ``lock_s``.
    """
    if connection.vendor != "postgresql":
        raise CannotDo("SQLite keeps a table in one piece.", remedy="Use PostgreSQL for a fleet that large.")
    if table not in TABLES:
        raise CannotDo(f"{table} is no table of readings.", remedy=f"Choose from {', '.join(TABLES)}.")
    if is_partitioned(table):
        tell(f"{table} is in partitions; {make_next(table, today)} made anew")
        return
    with _waits_at_most(lock_s):
        if _kind(f"{table}_new") is None:
            with transaction.atomic():
                _make_new(table, _oldest_month(table), today)
                for statement in _mirror(table):
                    _run(statement)
            tell(f"{table}: partitions made, new rows are mirrored")
        _copy(table, tell)
        _compare(table)
        _change_names(table)
    tell(f"{table} is in partitions; the old one is kept as {table}_before until you drop it")


def begin_in_partitions(table: str, today: date, tell: Callable[[str], None]) -> bool:
    """Put an empty table into partitions, in one transaction; False where there is nothing to do.

    A table with rows is left as it is and the way is told: moving rows takes long, and not under a lock.
    """
    if connection.vendor != "postgresql" or _kind(table) != "r":
        return False
    with transaction.atomic():
        # Looked at before the lock, so that traffic never waits for a no.
        is_left = _has_rows(table) or _kind(f"{table}_new") is not None
        if not is_left:
            _run(f"LOCK TABLE {table} IN ACCESS EXCLUSIVE MODE")
            is_left = _has_rows(table)
        if is_left:
            tell(f"{table} has rows and stays in one piece; manage.py partition_readings moves them.")
            return False
        _make_new(table, add_months(today.replace(day=1), -MONTHS_BACK), today)
        _change_names(table)
        _run(f"DROP TABLE {table}_before")
    return True


def make_next(table: str, today: date) -> int:
    """Make the partitions of the months to come that are missing; how many. Does nothing elsewhere."""
    if not is_partitioned(table):
        return 0
    first = today.replace(day=1)
    return sum(_make_month(table, table, add_months(first, ahead)) for ahead in range(MONTHS_AHEAD + 1))


@contextmanager
def _waits_at_most(seconds: int):
    _run(f"SET lock_timeout = '{int(seconds)}s'")
    try:
        yield
    finally:
        _run("SET lock_timeout = 0")


def _run(statement: str, *values: object) -> list[tuple]:
    with connection.cursor() as cursor:
        cursor.execute(statement, values or None)
        return cursor.fetchall() if cursor.description else []


def _kind(table: str) -> str | None:
    found = _run("SELECT relkind::text FROM pg_class WHERE oid = to_regclass(%s)", table)
    return found[0][0] if found else None


def _has_rows(table: str) -> bool:
    ((has_rows,),) = _run(f"SELECT EXISTS (SELECT FROM {table})")
    return has_rows


def _oldest_month(table: str) -> date:
    ((oldest,),) = _run(f"SELECT min({KEY}) FROM {table}")
    return (oldest or datetime.now(UTC)).astimezone(UTC).date().replace(day=1)


def _make_new(table: str, first_month: date, today: date) -> None:
    """Make the partitioned table beside the old one, empty; before the first month it has one partition."""
    new = f"{table}_new"
    _run(
        f"CREATE TABLE {new} (LIKE {table} INCLUDING DEFAULTS INCLUDING CONSTRAINTS INCLUDING STORAGE) "
        f"PARTITION BY RANGE ({KEY})"
    )
    _run(f"CREATE SEQUENCE {table}_ids AS bigint OWNED BY {new}.id")
    _run(f"ALTER TABLE {new} ALTER id SET DEFAULT nextval('{table}_ids')")
    _run(f"ALTER TABLE {new} ADD CONSTRAINT {table}_pkey_new PRIMARY KEY (id, {KEY})")
    for statement in _indexes(table) + _foreign_keys(table):
        _run(statement)
    _run(f"CREATE TABLE {table}_default PARTITION OF {new} DEFAULT")
    _run(
        f"CREATE TABLE {table}_earlier PARTITION OF {new} "
        f"FOR VALUES FROM (MINVALUE) TO ('{first_month} 00:00+00')"
    )
    month = first_month
    while month <= add_months(today.replace(day=1), MONTHS_AHEAD):
        _make_month(new, table, month)
        month = add_months(month, 1)


def _indexes(table: str) -> list[str]:
    """The old table's indexes for the new one, under names of their own until the names change."""
    rows = _run(
        "SELECT i.indexrelid::regclass::text, pg_get_indexdef(i.indexrelid), c.conname IS NOT NULL "
        "FROM pg_index i LEFT JOIN pg_constraint c ON c.conindid = i.indexrelid AND c.contype = 'u' "
        "WHERE i.indrelid = %s::regclass AND NOT i.indisprimary",
        table,
    )
    made = []
    for name, definition, is_constraint in rows:
        if is_constraint:
            columns = definition[definition.index("(") :]
            made.append(f"ALTER TABLE {table}_new ADD CONSTRAINT {name}_new UNIQUE {columns}")
        else:
            made.append(re.sub(r"INDEX \S+ ON \S+", f"INDEX {name}_new ON {table}_new", definition, count=1))
    return made


def _foreign_keys(table: str) -> list[str]:
    rows = _run(
        "SELECT conname, pg_get_constraintdef(oid) FROM pg_constraint "
        "WHERE conrelid = %s::regclass AND contype = 'f'",
        table,
    )
    return [f"ALTER TABLE {table}_new ADD CONSTRAINT {name} {definition}" for name, definition in rows]


def _make_month(parent: str, table: str, month: date) -> int:
    """Make a month's partition unless it is there; rows that the default one took meanwhile move into it."""
    name = f"{table}_{month:%Y_%m}"
    if _kind(name) is not None:
        return 0
    bounds = f"'{month} 00:00+00'", f"'{add_months(month, 1)} 00:00+00'"
    with transaction.atomic():
        _run(f"CREATE TABLE {name} (LIKE {parent} INCLUDING DEFAULTS INCLUDING CONSTRAINTS)")
        _run(
            f"WITH moved AS (DELETE FROM {table}_default WHERE {KEY} >= {bounds[0]} AND {KEY} < {bounds[1]} "
            f"RETURNING *) INSERT INTO {name} SELECT * FROM moved"
        )
        _run(f"ALTER TABLE {parent} ATTACH PARTITION {name} FOR VALUES FROM ({bounds[0]}) TO ({bounds[1]})")
    return 1


def _columns(table: str) -> list[str]:
    rows = _run(
        "SELECT attname FROM pg_attribute WHERE attrelid = %s::regclass AND attnum > 0 AND NOT attisdropped "
        "ORDER BY attnum",
        table,
    )
    return [name for (name,) in rows]


def _mirror(table: str) -> list[str]:
    columns = _columns(table)
    news = ", ".join(f"NEW.{name}" for name in columns)
    changes = ", ".join(f"{name} = EXCLUDED.{name}" for name in columns if name not in ("id", KEY))
    return [
        f"CREATE OR REPLACE FUNCTION {table}_mirror() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        f"IF TG_OP <> 'INSERT' THEN DELETE FROM {table}_new WHERE id = OLD.id AND {KEY} = OLD.{KEY}; END IF; "
        f"IF TG_OP <> 'DELETE' THEN INSERT INTO {table}_new ({', '.join(columns)}) VALUES ({news}) "
        f"ON CONFLICT (id, {KEY}) DO UPDATE SET {changes}; END IF; RETURN NULL; END $$",
        f"CREATE TRIGGER {table}_mirror AFTER INSERT OR UPDATE OR DELETE ON {table} "
        f"FOR EACH ROW EXECUTE FUNCTION {table}_mirror()",
    ]


def _copy(table: str, tell: Callable[[str], None]) -> None:
    """Copy what was there before the mirror, by ranges of ids; how far is kept as the new table's comment."""
    listed = ", ".join(_columns(table))
    ((done,),) = _run("SELECT coalesce(obj_description(%s::regclass)::bigint, 0)", f"{table}_new")
    ((last,),) = _run(f"SELECT coalesce(max(id), 0) FROM {table}")
    while done < last:
        until = done + BATCH_IDS
        with transaction.atomic():
            # The row lock keeps a deletion waiting until its copy is there to be deleted, too.
            _run(
                f"INSERT INTO {table}_new ({listed}) SELECT {listed} FROM {table} "
                f"WHERE id > %s AND id <= %s FOR KEY SHARE ON CONFLICT DO NOTHING",
                done,
                until,
            )
            _run(f"COMMENT ON TABLE {table}_new IS '{int(until)}'")
        done = until
        tell(f"{table}: {min(done, last):,} of {last:,} copied")


def _compare(table: str) -> None:
    """Refuse to go on unless both tables hold the same rows at one moment."""
    listed = ", ".join(_columns(table))
    sums = "SELECT count(*), coalesce(sum(hashtextextended(({listed})::text, 0)::numeric), 0) FROM {table}"
    whole = " UNION ALL ".join(
        f"({sums.format(listed=listed, table=one)})" for one in (table, f"{table}_new")
    )
    old, new = _run(whole)
    if old != new:
        raise CannotDo(
            f"{table} has {old[0]} rows and its copy {new[0]}, or other ones; nothing was changed.",
            remedy=f"DROP TABLE {table}_new CASCADE; DROP FUNCTION {table}_mirror CASCADE; then begin again.",
        )


def _change_names(table: str) -> None:
    names = [name for (name,) in _run(
        "SELECT indexrelid::regclass::text FROM pg_index WHERE indrelid = %s::regclass", table)]  # fmt: skip
    with transaction.atomic():
        _run(f"LOCK TABLE {table} IN ACCESS EXCLUSIVE MODE")
        _run(f"DROP FUNCTION IF EXISTS {table}_mirror() CASCADE")
        ((next_id,),) = _run(f"SELECT coalesce(max(id), 0) + 1 FROM {table}")
        _run(f"ALTER TABLE {table} ALTER id DROP IDENTITY IF EXISTS")
        _run(f"ALTER SEQUENCE {table}_ids RENAME TO {table}_id_seq")
        _run("SELECT setval(%s::regclass, %s, false)", f"{table}_id_seq", next_id)
        _run(f"ALTER TABLE {table} RENAME TO {table}_before")
        _run(f"ALTER TABLE {table}_new RENAME TO {table}")
        _run(f"COMMENT ON TABLE {table} IS NULL")
        for name in names:
            _run(f"ALTER INDEX {name} RENAME TO {name}_before")
            _run(f"ALTER INDEX {name}_new RENAME TO {name}")
        stale_flags.put_in(connection)
