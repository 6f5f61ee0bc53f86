"""Steps for migrations that must not stop others. Needs Django, knows no room."""

from django.db import migrations


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
