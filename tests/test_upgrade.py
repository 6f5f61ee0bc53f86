"""From the previous release with data in it to this one: nothing lost, nothing changed, and it works on."""

import gzip
import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command
from django.core.management.color import no_style
from django.core.management.commands.migrate import Command as Plain
from django.db import connection, models, transaction
from django.db.migrations.executor import MigrationExecutor
from django.db.utils import OperationalError

from fleet.assessment import runs
from fleet.models import AssessmentRun, MeterReading
from scheduling.models import WorkOrder
from scheduling.operations.backup_databases import Postgres
from scheduling.orders import raising
from shared.messages import loaded_within
from tests.elsewhere import empty_database

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]
BEFORE = json.loads(gzip.decompress((Path(__file__).parent / "data/previous_release.json.gz").read_bytes()))
"""The last migrations of the previous release, and rows of an invented company made by its demo."""


def last_of_each_app() -> list[tuple[str, str]]:
    last = dict(name.split(".", 1) for name in BEFORE["migrations"])
    return list(last.items())


def old_models(apps) -> dict[str, type[models.Model]]:
    return {model._meta.db_table: model for model in apps.get_models(include_auto_created=True)}


def as_python(field: models.Field, value):
    if value is None:
        return None
    if isinstance(field, models.JSONField):
        return json.loads(value)
    if isinstance(field, models.DateTimeField):
        return datetime.fromisoformat(value).replace(tzinfo=UTC)
    return field.to_python(value)


def fill(apps) -> None:
    """Put the previous release's rows in, in the form of its own models' fields."""
    by_table, quote = old_models(apps), connection.ops.quote_name
    with transaction.atomic(), connection.cursor() as cursor:
        for table, held in BEFORE["tables"].items():
            fields = [by_column(by_table[table], column) for column in held["columns"]]
            rows = [
                [
                    field.get_db_prep_save(as_python(field, value), connection)
                    for field, value in zip(fields, row, strict=True)
                ]
                for row in held["rows"]
            ]
            columns, places = ", ".join(map(quote, held["columns"])), ", ".join(["%s"] * len(fields))
            cursor.executemany(f"INSERT INTO {quote(table)} ({columns}) VALUES ({places})", rows)
    with connection.cursor() as cursor:
        for statement in connection.ops.sequence_reset_sql(no_style(), list(by_table.values())):
            cursor.execute(statement)


def by_column(model, column: str) -> models.Field:
    return next(one for one in model._meta.local_concrete_fields if one.column == column)


def contents() -> dict[str, dict[str, list]]:
    """Return each column of the old tables that is there, in the order of the first column."""
    found = {}
    with connection.cursor() as cursor:
        for table, held in BEFORE["tables"].items():
            here = {one.name for one in connection.introspection.get_table_description(cursor, table)}
            columns = [name for name in held["columns"] if name in here]
            quoted = ", ".join(connection.ops.quote_name(name) for name in columns)
            cursor.execute(f"SELECT {quoted} FROM {connection.ops.quote_name(table)} ORDER BY 1")
            rows = cursor.fetchall()
            found[table] = {name: [row[i] for row in rows] for i, name in enumerate(columns)}
    return found


@pytest.fixture
def previous(tmp_path):
    """A database of the previous release with its rows."""
    with empty_database(tmp_path):
        executor = MigrationExecutor(connection)
        state = executor.migrate(last_of_each_app())
        fill(state.apps)
        yield


def english(value):
    """What a column says: sentences of the house keep their template and figures behind it."""
    if isinstance(value, str) and "\\u001e" in value and value[:1] in "[{":
        return json.dumps(loaded_within(json.loads(value)), ensure_ascii=False)
    return value


def test_the_previous_releases_data_comes_through_whole(previous):
    before = contents()
    assert len(before["fleet_meterreading"]["id"]) > 900
    call_command("migrate", verbosity=0)
    after = contents()
    for table, columns in before.items():
        for name, values in columns.items():
            if name in after[table]:
                assert [english(one) for one in after[table][name]] == values, f"{table}.{name} changed"
    assert not MigrationExecutor(connection).migration_plan(
        MigrationExecutor(connection).loader.graph.leaf_nodes()
    )


def test_the_upgraded_company_works_on(previous):
    call_command("migrate", verbosity=0)
    orders = WorkOrder.objects.open().count()
    now = AssessmentRun.objects.order_by("-as_of").first().as_of
    run = runs.assess_fleet(now)
    assert run.counts["units"] == len(BEFORE["tables"]["fleet_treatmentunit"]["rows"])
    raising.raise_work(now=now)
    assert WorkOrder.objects.open().count() >= orders > 0
    newest = MeterReading.objects.order_by("-pk").first()
    newest.pk, newest.revision, newest.is_latest = None, newest.revision + 1, False
    newest.save()
    assert newest.pk > max(row[0] for row in BEFORE["tables"]["fleet_meterreading"]["rows"])


def test_a_database_that_took_the_steps_one_by_one_takes_their_squashes_as_done(tmp_path):
    with empty_database(tmp_path):
        call_command("migrate", verbosity=0)
        executor = MigrationExecutor(connection)
        squashes = {key: one.replaces for key, one in executor.loader.disk_migrations.items() if one.replaces}
        ours = {key: replaces for key, replaces in squashes.items() if key[0] in {"fleet", "scheduling"}}
        assert ours
        for key, replaces in ours.items():
            executor.recorder.record_unapplied(*key)
            for step in replaces:
                executor.recorder.record_applied(*step)
        again = MigrationExecutor(connection)
        assert not again.migration_plan(again.loader.graph.leaf_nodes())
        call_command("migrate", verbosity=0)
        assert ours.keys() <= set(again.recorder.applied_migrations())


@pytest.mark.postgres
def test_a_migration_that_would_wait_for_traffic_gives_up_and_says_so(previous, settings, capsys):
    settings.MIGRATE_LOCK_SECONDS = 1
    settings.MIGRATE_TRIES = 1
    with Postgres(connection.settings_dict).connect() as other:
        other.execute("BEGIN")
        other.execute("SELECT count(*) FROM fleet_assessmentrun")
        with pytest.raises(CommandError, match=r"held by traffic.*Nothing of that step was changed"):
            call_command("migrate", verbosity=0)
        other.execute("COMMIT")
    call_command("migrate", verbosity=0)
    with connection.cursor() as cursor:
        cursor.execute("SHOW lock_timeout")
        assert cursor.fetchone()[0] == "0"


@pytest.mark.postgres
def test_a_migration_tries_again_until_traffic_lets_it(previous, settings, monkeypatch):
    real, calls = Plain.handle, []

    def handle(self, *args, **options):
        calls.append(1)
        if len(calls) < 3:
            raise OperationalError("canceling statement due to lock timeout")
        return real(self, *args, **options)

    monkeypatch.setattr(Plain, "handle", handle)
    settings.MIGRATE_PAUSE_SECONDS = 0
    call_command("migrate", verbosity=0)
    assert len(calls) == 3
