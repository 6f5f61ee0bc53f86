"""Figures of states are packed. The column of JSON stays: what the release before wrote is read from it."""

from django.db import migrations, models


def _renamed(model: str) -> migrations.SeparateDatabaseAndState:
    """The same column under another name in Python; nothing happens in the database."""
    field = models.JSONField(blank=True, db_column="numbers", default=dict, editable=False)
    return migrations.SeparateDatabaseAndState(
        state_operations=[
            migrations.RenameField(model, "numbers", "written_numbers"),
            migrations.AlterField(model, "written_numbers", field),
        ]
    )


def _packed(model: str) -> migrations.AddField:
    field = models.BinaryField(help_text="Every input and figure; see packed_figures.", null=True)
    return migrations.AddField(model, "packed", field)


class Migration(migrations.Migration):
    dependencies = [("fleet", "0014_days_of_readings_rolled_up")]

    operations = [_renamed("partstate"), _packed("partstate"), _renamed("unitstate"), _packed("unitstate")]
