"""Half of each page of the states stays free, so that an assessment writes a row anew beside the old one.

Most states keep their likely date from night to night; the database then leaves the indexes alone (HOT, see
the manual of PostgreSQL, "Heap-Only Tuples"). What is there already moves as it is written anew.
"""

from django.db import migrations

TABLES = ("fleet_partstate", "fleet_unitstate")


def _set(schema_editor, what: str) -> None:
    if schema_editor.connection.vendor != "postgresql":
        return
    for table in TABLES:
        # Takes a lock that stops neither readers nor writers.
        schema_editor.execute(f"ALTER TABLE {table} {what}")


def keep_room(_apps, schema_editor) -> None:
    _set(schema_editor, "SET (fillfactor = 50)")


def keep_none(_apps, schema_editor) -> None:
    _set(schema_editor, "RESET (fillfactor)")


class Migration(migrations.Migration):
    dependencies = [("fleet", "0015_packed_figures")]

    operations = [migrations.RunPython(keep_room, keep_none)]
