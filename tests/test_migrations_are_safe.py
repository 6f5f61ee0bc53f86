"""No new migration stops those who work meanwhile; the rule itself finds what it must find."""

import pytest
from django.db import connection, migrations, models
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.state import ProjectState
from django.db.models import Q

from shared.migration_parts import AddIndexConcurrently
from tests.migration_rules import problems

OURS = {"fleet", "scheduling", "api"}
BEFORE_THE_RULE = {
    "fleet.0001_initial", "fleet.0002_learned_use_rules", "fleet.0003_season_and_like_sites",
    "scheduling.0001_initial",
    "scheduling.0002_close_out_form_hash", "scheduling.0003_plan_periods_taxes_and_invoices",
    "scheduling.0004_hand_moves_replans_feeds_and_prices", "scheduling.0005_told_visits_and_notices",
    "scheduling.0006_index_orders_by_cause", "api.0001_tokens_and_kept_answers",
}  # fmt: skip
"""Released before there was a rule. A later one may say why it is safe all the same: SAFE_BECAUSE = "…"."""
LOADER = MigrationLoader(None, ignore_no_migrations=True)
NEW = [
    key
    for key in sorted(LOADER.disk_migrations)
    if key[0] in OURS and ".".join(key) not in BEFORE_THE_RULE
]  # fmt: skip


@pytest.mark.parametrize("key", NEW, ids=[".".join(key) for key in NEW])
def test_a_migration_is_safe_while_others_work(key):
    migration = LOADER.disk_migrations[key]
    found = list(problems(migration, LOADER.project_state(key, at_end=False)))
    excuse = getattr(migration, "SAFE_BECAUSE", "")
    if found and excuse:
        assert len(excuse.split()) >= 5, "SAFE_BECAUSE says why in a sentence"
        return
    assert not found, "; ".join(found)


def state_with_work_order() -> ProjectState:
    state = ProjectState()
    fields = [
        ("id", models.BigAutoField(primary_key=True)),
        ("note", models.CharField(max_length=10, null=True)),
    ]
    migrations.CreateModel("WorkOrder", fields).state_forwards("scheduling", state)
    return state


def found_in(*operations) -> list[str]:
    migration = migrations.Migration("9999_test", "scheduling")
    migration.operations = list(operations)
    return list(problems(migration, state_with_work_order()))


INDEX = models.Index(fields=["note"], name="a_note")
UNSAFE = {
    "has no db_default": migrations.AddField("workorder", "x", models.IntegerField(default=0)),
    "AddIndexConcurrently": migrations.AddIndex("workorder", INDEX),
    "an index that locks": migrations.AddField(
        "workorder", "x", models.IntegerField(null=True, db_index=True)
    ),
    "becomes not null": migrations.AlterField(
        "workorder", "note", models.CharField(max_length=10, default="")
    ),
    "rewritten": migrations.AlterField("workorder", "note", models.IntegerField(null=True)),
    "NOT VALID": migrations.AddConstraint(
        "workorder", models.CheckConstraint(condition=Q(note__gt=""), name="n")
    ),
    "renaming": migrations.RenameField("workorder", "note", "remark"),
    "taking away": migrations.RemoveField("workorder", "note"),
}


@pytest.mark.parametrize("told", UNSAFE)
def test_the_rule_finds_what_would_stop_others(told):
    assert any(told in one for one in found_in(UNSAFE[told])), found_in(UNSAFE[told])


def test_the_rule_finds_filling_and_changing_in_one():
    add = migrations.AddField("workorder", "x", models.IntegerField(null=True))
    fill = migrations.RunPython(migrations.RunPython.noop)
    assert any("make two" in one for one in found_in(add, fill))
    assert found_in(fill) == []


@pytest.mark.parametrize(
    "safe",
    [
        migrations.AddField("workorder", "x", models.IntegerField(null=True)),
        migrations.AddField("workorder", "x", models.IntegerField(db_default=0)),
        AddIndexConcurrently("workorder", INDEX),
        migrations.AlterField("workorder", "note", models.CharField(max_length=10, null=True, blank=True)),
    ],
)
def test_the_rule_lets_the_safe_way_through(safe):
    assert found_in(safe) == []


@pytest.mark.django_db(transaction=True)
def test_an_index_is_built_beside_traffic_and_taken_away_again():
    state = LOADER.project_state()
    index = models.Index(fields=["why"], name="a_test_of_why")
    step = AddIndexConcurrently("finding", index)
    after = state.clone()
    step.state_forwards("fleet", after)
    for _ in range(2 if connection.vendor == "postgresql" else 1):
        with connection.schema_editor(atomic=False) as editor:
            step.database_forwards("fleet", editor, state, after)
    with connection.cursor() as cursor:
        assert "a_test_of_why" in connection.introspection.get_constraints(cursor, "fleet_finding")
    with connection.schema_editor(atomic=False) as editor:
        step.database_backwards("fleet", editor, after, state)
    with connection.cursor() as cursor:
        assert "a_test_of_why" not in connection.introspection.get_constraints(cursor, "fleet_finding")
