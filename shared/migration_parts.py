"""Steps for migrations that must not stop others. Needs Django, knows no room."""

from django.core.management.base import CommandError
from django.db import DatabaseError, migrations
from django.db.migrations import RunPython


class AddIndexConcurrently(migrations.AddIndex):
    """Add an index without locking writers out. On PostgreSQL its migration needs ``atomic = False``."""

    def database_forwards(self, app_label, schema_editor, from_state, to_state):
        """Build the index, beside traffic where the database can."""
        model = to_state.apps.get_model(app_label, self.model_name)
        if not self.allow_migrate_model(schema_editor.connection.alias, model):
            return
        if not _can_be_concurrent(schema_editor, model):
            schema_editor.add_index(model, self.index)
            return
        # What an attempt that was cut off left behind is invalid and of no use.
        schema_editor.execute(
            f"DROP INDEX CONCURRENTLY IF EXISTS {schema_editor.quote_name(self.index.name)}"
        )
        schema_editor.add_index(model, self.index, concurrently=True)

    def database_backwards(self, app_label, schema_editor, from_state, to_state):
        """Take the index away the same way."""
        model = from_state.apps.get_model(app_label, self.model_name)
        if not self.allow_migrate_model(schema_editor.connection.alias, model):
            return
        if not _can_be_concurrent(schema_editor, model):
            schema_editor.remove_index(model, self.index)
            return
        schema_editor.remove_index(model, self.index, concurrently=True)


def _can_be_concurrent(schema_editor, model) -> bool:
    """Say whether an index can come and go beside traffic: on PostgreSQL, and on no table in partitions."""
    if schema_editor.connection.vendor != "postgresql":
        return False
    with schema_editor.connection.cursor() as cursor:
        cursor.execute(
            "SELECT relkind::text FROM pg_class WHERE oid = to_regclass(%s)", [model._meta.db_table]
        )
        found = cursor.fetchone()
    return found != ("p",)


class AddTrigramIndexes(RunPython):
    """Add trigram indexes (pg_trgm) over expressions, beside traffic; SQLite has none and needs none.

    ``indexes``: name → (table, expression). Its migration needs ``atomic = False``.
    """

    def __init__(self, indexes: dict[str, tuple[str, str]]):
        self.indexes = indexes
        super().__init__(self._add, self._remove)

    def deconstruct(self):
        """Return how it is written down."""
        return self.__class__.__name__, [self.indexes], {}

    def _add(self, _apps, schema_editor) -> None:
        if schema_editor.connection.vendor != "postgresql":
            return
        make_trigram_extension(schema_editor.connection)
        for name, (table, expression) in self.indexes.items():
            # What an attempt that was cut off left behind is invalid and of no use.
            schema_editor.execute(f"DROP INDEX CONCURRENTLY IF EXISTS {name}")
            schema_editor.execute(
                f"CREATE INDEX CONCURRENTLY {name} ON {table} USING gin (({expression}) gin_trgm_ops)"
            )

    def _remove(self, _apps, schema_editor) -> None:
        if schema_editor.connection.vendor == "postgresql":
            for name in self.indexes:
                schema_editor.execute(f"DROP INDEX CONCURRENTLY IF EXISTS {name}")


def make_trigram_extension(connection) -> None:
    """Make pg_trgm in this database. It is a trusted extension: who may create schemas in it may make it.

    Raises CommandError where the server lacks it or the database user may not.
    """
    with connection.cursor() as cursor:
        try:
            cursor.execute("CREATE EXTENSION IF NOT EXISTS pg_trgm")
        except DatabaseError as error:
            raise CommandError(
                f"Search needs PostgreSQL's extension pg_trgm, and this database can't have it: "
                f"{str(error).strip().splitlines()[0]}. Have the server's administrator install PostgreSQL's "
                f"contrib package where it is missing and run CREATE EXTENSION pg_trgm in "
                f"{connection.settings_dict['NAME']}; then run migrate again. Nothing was changed."
            ) from error
