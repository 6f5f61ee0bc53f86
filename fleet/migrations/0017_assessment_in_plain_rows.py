"""States keep their figures as JSON again; days of readings, packed figures and days to look again are given up.

Columns and table stay for the release still running and are taken away one release later.
"""

from django.db import migrations, models


def _figures_as_json(model: str) -> list[migrations.operations.base.Operation]:
    return [
        migrations.RenameField(model, "written_numbers", "numbers"),
        migrations.AlterField(
            model,
            "numbers",
            models.JSONField(blank=True, default=dict, help_text="Every input and figure."),
        ),
        migrations.RemoveField(model, "packed"),
    ]


class Migration(migrations.Migration):
    dependencies = [("fleet", "0016_room_in_the_pages_of_states")]

    operations = [
        migrations.AlterField("assessmentrun", "is_full", models.BooleanField(default=False, db_default=True)),
        migrations.SeparateDatabaseAndState(
            state_operations=[
                *_figures_as_json("partstate"),
                *_figures_as_json("unitstate"),
                migrations.RemoveField("unitstate", "look_again_on"),
                migrations.RemoveField("assessmentrun", "is_full"),
                migrations.DeleteModel("DayReading"),
                migrations.RenameModel("ChangeMark", "StaleFlag"),
                migrations.AlterModelTable("staleflag", "fleet_changemark"),
            ]
        ),
    ]
