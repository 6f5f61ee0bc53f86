"""Columns of sentences keep a message with its figures; their texts stay as they are."""

from django.db import migrations

import shared.translation

class Migration(migrations.Migration):
    SAFE_BECAUSE = "PostgreSQL makes varchar text without reading the rows, and the release still running reads text."

    dependencies = [
        ("scheduling", "0012_lists_of_a_large_company"),
    ]

    operations = [
        migrations.SeparateDatabaseAndState(
            state_operations=[
                migrations.AlterField(
                    model_name="stepsheet",
                    name="cautions",
                    field=shared.translation.MessagesField(default=list),
                ),
                migrations.AlterField(
                    model_name="stepsheet",
                    name="steps",
                    field=shared.translation.MessagesField(
                        default=list, help_text="[{code, text, is_hazard_control, asks}] in the order they are done."
                    ),
                ),
                migrations.AlterField(
                    model_name="longjob",
                    name="answer",
                    field=shared.translation.MessagesField(
                        blank=True, default=dict, help_text="What came of it."
                    ),
                ),
                migrations.AlterField(
                    model_name="longjob",
                    name="problem",
                    field=shared.translation.MessageField(
                        blank=True, help_text="Why it failed, with the remedy."
                    ),
                ),
                migrations.AlterField(
                    model_name="planrevision",
                    name="effect",
                    field=shared.translation.MessagesField(blank=True, default=dict),
                ),
                migrations.AlterField(
                    model_name="planrevision",
                    name="what",
                    field=shared.translation.MessageField(),
                ),
                migrations.AlterField(
                    model_name="replan",
                    name="effect",
                    field=shared.translation.MessagesField(blank=True, default=dict),
                ),
                migrations.AlterField(
                    model_name="replan",
                    name="lost",
                    field=shared.translation.MessagesField(
                        blank=True, default=list, help_text="Promises that could not be kept, and why."
                    ),
                ),
                migrations.AlterField(
                    model_name="routeproposal",
                    name="problems",
                    field=shared.translation.MessagesField(
                        blank=True, default=list, help_text="What was refused, with its remedy."
                    ),
                ),
                migrations.AlterField(
                    model_name="stop",
                    name="why",
                    field=shared.translation.MessageField(blank=True),
                ),
                migrations.AlterField(
                    model_name="stoporder",
                    name="why",
                    field=shared.translation.MessageField(blank=True),
                ),
                migrations.AlterField(
                    model_name="unplacedorder",
                    name="text",
                    field=shared.translation.MessageField(),
                ),
                migrations.AlterField(
                    model_name="workorder",
                    name="why",
                    field=shared.translation.MessageField(),
                ),
                migrations.AlterField(
                    model_name="workorderevent",
                    name="detail",
                    field=shared.translation.MessageField(blank=True),
                ),
            ],
        ),
        migrations.AlterField(
            model_name="invoiceline",
            name="text",
            field=shared.translation.MessageField(),
        ),
        migrations.AlterField(
            model_name="notice",
            name="problem",
            field=shared.translation.MessageField(blank=True),
        ),
        migrations.AlterField(
            model_name="revenueentry",
            name="text",
            field=shared.translation.MessageField(),
        ),
        migrations.AlterField(
            model_name="routeproposal",
            name="progress_text",
            field=shared.translation.MessageField(blank=True),
        ),
        migrations.AlterField(
            model_name="stockmovement",
            name="note",
            field=shared.translation.MessageField(blank=True),
        ),
        migrations.AlterField(
            model_name="workorder",
            name="withdrawn_because",
            field=shared.translation.MessageField(blank=True),
        ),
    ]
