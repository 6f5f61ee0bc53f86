"""Columns of sentences keep a message with its figures; their texts stay as they are."""

from django.db import migrations

import shared.translation

class Migration(migrations.Migration):
    SAFE_BECAUSE = "PostgreSQL makes varchar text without reading the rows, and the release still running reads text."

    dependencies = [
        ("fleet", "0018_all_states_are_stale"),
    ]

    operations = [
        migrations.SeparateDatabaseAndState(
            state_operations=[
                migrations.AlterField(
                    model_name="auditentry",
                    name="detail",
                    field=shared.translation.MessageField(blank=True),
                ),
                migrations.AlterField(
                    model_name="finding",
                    name="why",
                    field=shared.translation.MessageField(),
                ),
            ],
        ),
        migrations.AlterField(
            model_name="deadletter",
            name="reason",
            field=shared.translation.MessageField(),
        ),
        migrations.AlterField(
            model_name="deadletter",
            name="remedy",
            field=shared.translation.MessageField(blank=True),
        ),
        migrations.AlterField(
            model_name="finding",
            name="gone_because",
            field=shared.translation.MessageField(blank=True, null=True),
        ),
        migrations.AlterField(
            model_name="readinesschange",
            name="because",
            field=shared.translation.MessageField(blank=True),
        ),
        migrations.AlterField(
            model_name="taskrun",
            name="problem",
            field=shared.translation.MessageField(
                blank=True, help_text="In plain words, without anybody's data."
            ),
        ),
        migrations.AlterField(
            model_name="webhook",
            name="off_because",
            field=shared.translation.MessageField(blank=True, help_text="Set when it was switched off."),
        ),
        migrations.AlterField(
            model_name="webhookattempt",
            name="problem",
            field=shared.translation.MessageField(blank=True),
        ),
    ]
