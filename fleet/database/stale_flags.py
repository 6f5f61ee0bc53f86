"""Marks of change: triggers that note which treatment units an assessment has to look at again.

In the database, so that a bulk copy, an import and a hand at the console mark alike. On PostgreSQL a
statement marks once, however many rows it writes. ``manage.py migrate`` puts in what is missing: SQLite loses
a table's triggers whenever a migration makes the table anew.
"""

from dataclasses import dataclass
from typing import Final

from django.db.backends.base.base import BaseDatabaseWrapper

ALWAYS: Final = "1970-01-01 00:00:00+00"
"""Effective whatever moment an assessment is of."""


@dataclass(frozen=True)
class Marked:
    """A table whose rows bear on an assessment."""

    table: str
    columns: tuple[str, ...]
    """What of a changed row ``units`` speaks of."""
    units: str
    """SELECT of treatment unit and effective moment from the changed rows ``c``; ``{always}`` as above."""
    events: tuple[str, ...] = ("INSERT", "UPDATE", "DELETE")


def _by_moment(table: str, moment: str) -> Marked:
    # The first and the last moment: one yet to come must not be lost with those taken in.
    ends = " UNION ".join(
        f"SELECT c.treatment_unit_id, {end}(c.{moment}) FROM {{changed}} c GROUP BY c.treatment_unit_id"
        for end in ("min", "max")
    )
    return Marked(table, ("treatment_unit_id", moment), ends)


MARKED: Final = (
    _by_moment("fleet_meterreading", "read_at"),
    _by_moment("fleet_performancereading", "read_at"),
    _by_moment("fleet_flush", "flushed_at"),
    Marked(
        "fleet_part",
        ("treatment_unit_id", "installed_at"),
        "SELECT c.treatment_unit_id, {always} FROM {changed} c "
        "UNION SELECT c.treatment_unit_id, c.installed_at FROM {changed} c",
    ),
    Marked(
        "fleet_feedtest",
        ("site_id", "supply_id", "sampled_at"),
        "SELECT DISTINCT u.id, c.sampled_at FROM {changed} c "
        "JOIN fleet_site s ON s.id = c.site_id OR s.supply_id = c.supply_id "
        "JOIN fleet_treatmentunit u ON u.site_id = s.id",
    ),
    Marked(
        "fleet_position",
        ("treatment_unit_id",),
        "SELECT DISTINCT c.treatment_unit_id, {always} FROM {changed} c",
        ("UPDATE",),
    ),
    Marked("fleet_treatmentunit", ("id",), "SELECT c.id, {always} FROM {changed} c", ("INSERT", "UPDATE")),
    Marked(
        "fleet_site",
        ("id",),
        "SELECT u.id, {always} FROM {changed} c JOIN fleet_treatmentunit u ON u.site_id = c.id",
        ("UPDATE",),
    ),
    Marked(
        "fleet_partkind",
        ("id",),
        "SELECT DISTINCT p.treatment_unit_id, {always} FROM {changed} c "
        "JOIN fleet_part p ON p.kind_id = c.id AND p.removed_at IS NULL",
        ("UPDATE",),
    ),
)
_KNOWN: Final = (
    "SELECT t.tgname FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
    "WHERE starts_with(t.tgname, c.relname || '_marks_')"
)
"""A table that gave its name away keeps its triggers; they are not its successor's."""
_INSERT: Final = "INSERT INTO fleet_changemark (treatment_unit_id, effective_at)"


def put_in(connection: BaseDatabaseWrapper) -> int:
    """Make the triggers that are missing; how many. A table not there yet, e.g. half-way, has none."""
    with connection.cursor() as cursor:
        tables = set(connection.introspection.table_names(cursor))
        if "fleet_changemark" not in tables:
            return 0
        is_postgres = connection.vendor == "postgresql"
        cursor.execute(_KNOWN if is_postgres else "SELECT name FROM sqlite_master")
        there = {name for (name,) in cursor.fetchall()}
        missing = [
            (marked, event)
            for marked in MARKED
            for event in marked.events
            if marked.table in tables and _name(marked, event) not in there
        ]
        for marked, event in missing:
            for statement in (_postgres if is_postgres else _sqlite)(marked, event):
                cursor.execute(statement)
    return len(missing)


def _name(marked: Marked, event: str) -> str:
    return f"{marked.table}_marks_{event.lower()}"


def _postgres(marked: Marked, event: str) -> list[str]:
    function = f"{marked.table}_marks"
    body = marked.units.format(changed="changed", always=f"timestamptz '{ALWAYS}'")
    rows = "OLD" if event == "DELETE" else "NEW"
    return [
        f"CREATE OR REPLACE FUNCTION {function}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        f"{_INSERT} {body}; RETURN NULL; END $$",
        f"CREATE TRIGGER {_name(marked, event)} AFTER {event} ON {marked.table} "
        f"REFERENCING {rows} TABLE AS changed FOR EACH STATEMENT EXECUTE FUNCTION {function}()",
    ]


def _sqlite(marked: Marked, event: str) -> list[str]:
    row = "OLD" if event == "DELETE" else "NEW"
    changed = f"(SELECT {', '.join(f'{row}.{column} AS {column}' for column in marked.columns)})"
    body = marked.units.format(changed=changed, always=f"'{ALWAYS[:19]}'")
    return [
        f"CREATE TRIGGER {_name(marked, event)} AFTER {event} ON {marked.table} FOR EACH ROW "
        f"BEGIN {_INSERT} {body}; END"
    ]
