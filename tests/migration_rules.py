"""What a migration may not do to a table that others are using. Knows operations, not taste."""

from collections.abc import Iterator

from django.db import migrations, models
from django.db.migrations.operations.base import Operation

BIG = {
    "fleet.meterreading", "fleet.performancereading", "fleet.treatmentunit", "fleet.part", "fleet.position",
    "fleet.meter", "fleet.partstate", "fleet.unitstate", "fleet.finding", "fleet.flush", "fleet.feedtest",
    "fleet.site", "fleet.readinesschange", "scheduling.workorder", "scheduling.workorderevent",
    "scheduling.workorderpart", "scheduling.revenueentry", "scheduling.closeout", "scheduling.stockmovement",
}  # fmt: skip
"""Tables that grow with the fleet: scanning one under a lock stops everybody."""


def problems(migration: migrations.Migration, before) -> Iterator[str]:
    """Yield what is unsafe while others work. ``before`` is the state the migration starts from."""
    made = set()
    state = before.clone()
    has_code = any(isinstance(one, migrations.RunPython | migrations.RunSQL) for one in migration.operations)
    app = migration.app_label
    for one in migration.operations:
        key = f"{app}.{getattr(one, 'model_name', getattr(one, 'name', '')).lower()}"
        if isinstance(one, migrations.CreateModel):
            made.add(key)
        elif key not in made:
            yield from (f"{key}: {told}" for told in _unsafe(one, key, state, app))
            if has_code and not isinstance(one, migrations.RunPython | migrations.RunSQL):
                yield f"{key}: changes a table in the same migration as it fills rows; make two."
        one.state_forwards(app, state)


def _unsafe(one: Operation, key: str, state, app: str) -> Iterator[str]:
    is_big = key in BIG
    if isinstance(one, migrations.AddField):
        yield from _new_column(one, is_big)
    elif isinstance(one, migrations.AlterField):
        yield from _changed_column(one, state, app)
    elif isinstance(one, migrations.AddIndex) and is_big and type(one) is migrations.AddIndex:
        yield f"index {one.index.name} locks out writers; use AddIndexConcurrently."
    elif isinstance(one, migrations.AddConstraint) and is_big and type(one) is migrations.AddConstraint:
        yield f"constraint {one.constraint.name} scans the table under a lock; add NOT VALID, then validate."
    elif isinstance(one, migrations.RenameField | migrations.RenameModel | migrations.AlterModelTable):
        yield "renaming breaks the release still running; add the new one, fill, later take the old one away."
    elif isinstance(one, migrations.RemoveField | migrations.DeleteModel):
        yield "taking away breaks the release still running; do it one release after nothing uses it."


def _new_column(one: migrations.AddField, is_big: bool) -> Iterator[str]:
    field = one.field
    if field.many_to_many:
        return
    if not field.null and not field.has_db_default():
        yield f"{one.name} is not null and has no db_default, so the release still running can't insert."
    if is_big and (field.unique or field.db_index):
        yield f"{one.name} brings an index that locks out writers; add it by AddIndexConcurrently."


def _changed_column(one: migrations.AlterField, state, app: str) -> Iterator[str]:
    was = state.models[app, one.model_name.lower()].fields[one.name]
    if was.null and not one.field.null:
        yield f"{one.name} becomes not null: the table is scanned under a lock. Add a check NOT VALID first."
    if _kind(was) != _kind(one.field):
        yield f"{one.name} changes its type: the table is rewritten under a lock. Add a column and fill it."


def _kind(field: models.Field) -> tuple:
    wide = field.max_length if isinstance(field, models.CharField) else None
    return field.get_internal_type(), wide, getattr(field, "decimal_places", None)
