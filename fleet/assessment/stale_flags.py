"""Flags of treatment units whose assessment is stale: written by triggers, consumed by the next assessment.

In the database, so that a bulk copy, an import and a hand at the console flag alike. On PostgreSQL a
statement flags once, however many rows it writes. ``manage.py migrate`` calls ``sync_triggers``: SQLite
loses a table's triggers whenever a migration makes the table anew.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from django.db.backends.base.base import BaseDatabaseWrapper

from fleet.database.columns import UnitRange
from fleet.models import StaleFlag

ALWAYS: Final = "1970-01-01 00:00:00+00"
"""Effective whatever moment an assessment is of."""


@dataclass(frozen=True)
class Flagged:
    """A table whose rows bear on an assessment."""

    table: str
    columns: tuple[str, ...]
    """What of a changed row ``units`` speaks of."""
    units: str
    """SELECT of treatment unit and effective moment from the changed rows ``c``; ``{always}`` as above."""
    events: tuple[str, ...] = ("INSERT", "UPDATE", "DELETE")


def _by_moment(table: str, moment: str) -> Flagged:
    # The first and the last moment: one yet to come must not be lost with those taken in.
    ends = " UNION ".join(
        f"SELECT c.treatment_unit_id, {end}(c.{moment}) FROM {{changed}} c GROUP BY c.treatment_unit_id"
        for end in ("min", "max")
    )
    return Flagged(table, ("treatment_unit_id", moment), ends)


FLAGGED: Final = (
    _by_moment("fleet_meterreading", "read_at"),
    _by_moment("fleet_performancereading", "read_at"),
    _by_moment("fleet_flush", "flushed_at"),
    Flagged(
        "fleet_part",
        ("treatment_unit_id", "installed_at"),
        "SELECT c.treatment_unit_id, {always} FROM {changed} c "
        "UNION SELECT c.treatment_unit_id, c.installed_at FROM {changed} c",
    ),
    Flagged(
        "fleet_feedtest",
        ("site_id", "supply_id", "sampled_at"),
        "SELECT DISTINCT u.id, c.sampled_at FROM {changed} c "
        "JOIN fleet_site s ON s.id = c.site_id OR s.supply_id = c.supply_id "
        "JOIN fleet_treatmentunit u ON u.site_id = s.id",
    ),
    Flagged(
        "fleet_position",
        ("treatment_unit_id",),
        "SELECT DISTINCT c.treatment_unit_id, {always} FROM {changed} c",
        ("UPDATE",),
    ),
    Flagged("fleet_treatmentunit", ("id",), "SELECT c.id, {always} FROM {changed} c", ("INSERT", "UPDATE")),
    Flagged(
        "fleet_site",
        ("id",),
        "SELECT u.id, {always} FROM {changed} c JOIN fleet_treatmentunit u ON u.site_id = c.id",
        ("UPDATE",),
    ),
    Flagged(
        "fleet_partkind",
        ("id",),
        "SELECT DISTINCT p.treatment_unit_id, {always} FROM {changed} c "
        "JOIN fleet_part p ON p.kind_id = c.id AND p.removed_at IS NULL",
        ("UPDATE",),
    ),
)
_INSERT: Final = "INSERT INTO fleet_changemark (treatment_unit_id, effective_at)"
_THERE: Final = {
    "postgresql": "SELECT t.tgname, c.relname FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
    "WHERE starts_with(t.tgname, c.relname || '_marks_')",
    "sqlite": "SELECT name, tbl_name FROM sqlite_master "
    "WHERE type = 'trigger' AND name LIKE tbl_name || '_marks_%'",
}


def stale_units(now: datetime, which: UnitRange | None = None) -> tuple[int, ...]:
    """Return the ids of the treatment units that an assessment as of ``now`` would see changed."""
    flags = StaleFlag.objects.filter(effective_at__lte=now)
    if which is not None:
        flags = flags.filter(which.condition("treatment_unit_id"))
    return tuple(flags.order_by("treatment_unit_id").values_list("treatment_unit_id", flat=True).distinct())


def consume_flags(which: UnitRange, now: datetime) -> None:
    """Delete the flags that an assessment as of ``now`` sees: in its transaction, before it reads.

    What is written later keeps its flag, for the next one.
    """
    StaleFlag.objects.filter(which.condition("treatment_unit_id"), effective_at__lte=now).delete()


def sync_triggers(connection: BaseDatabaseWrapper) -> tuple[int, int]:
    """Make the triggers that are missing and drop those no longer asked for; how many of each.

    A table not there yet, e.g. half-way through migrations, has none.
    """
    is_postgres = connection.vendor == "postgresql"
    with connection.cursor() as cursor:
        tables = set(connection.introspection.table_names(cursor))
        if "fleet_changemark" not in tables:
            return 0, 0
        cursor.execute(_THERE[connection.vendor])
        there = dict(cursor.fetchall())
        wanted = {
            _name(flagged, event): (flagged, event)
            for flagged in FLAGGED
            for event in flagged.events
            if flagged.table in tables
        }
        missing, obsolete = wanted.keys() - there.keys(), there.keys() - wanted.keys()
        for name in sorted(missing):
            for statement in (_postgres if is_postgres else _sqlite)(*wanted[name]):
                cursor.execute(statement)
        for name in sorted(obsolete):
            cursor.execute(f"DROP TRIGGER {name}" + (f" ON {there[name]}" if is_postgres else ""))
    return len(missing), len(obsolete)


def _name(flagged: Flagged, event: str) -> str:
    return f"{flagged.table}_marks_{event.lower()}"


def _postgres(flagged: Flagged, event: str) -> list[str]:
    function = f"{flagged.table}_marks"
    body = flagged.units.format(changed="changed", always=f"timestamptz '{ALWAYS}'")
    rows = "OLD" if event == "DELETE" else "NEW"
    return [
        f"CREATE OR REPLACE FUNCTION {function}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        f"{_INSERT} {body}; RETURN NULL; END $$",
        f"CREATE TRIGGER {_name(flagged, event)} AFTER {event} ON {flagged.table} "
        f"REFERENCING {rows} TABLE AS changed FOR EACH STATEMENT EXECUTE FUNCTION {function}()",
    ]


def _sqlite(flagged: Flagged, event: str) -> list[str]:
    row = "OLD" if event == "DELETE" else "NEW"
    changed = f"(SELECT {', '.join(f'{row}.{column} AS {column}' for column in flagged.columns)})"
    body = flagged.units.format(changed=changed, always=f"'{ALWAYS[:19]}'")
    return [
        f"CREATE TRIGGER {_name(flagged, event)} AFTER {event} ON {flagged.table} FOR EACH ROW "
        f"BEGIN {_INSERT} {body}; END"
    ]
