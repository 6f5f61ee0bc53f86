"""Every treatment unit is assessed anew soon, so that its figures are there as JSON."""

from django.db import migrations

FLAG_ALL = (
    "INSERT INTO fleet_changemark (treatment_unit_id, effective_at) "
    "SELECT treatment_unit_id, '1970-01-01 00:00:00{zone}' FROM fleet_unitstate"
)


def flag_all(_apps, schema_editor):
    """Flag what was assessed before; the rest is flagged already."""
    zone = "+00" if schema_editor.connection.vendor == "postgresql" else ""
    schema_editor.execute(FLAG_ALL.format(zone=zone))


class Migration(migrations.Migration):
    dependencies = [("fleet", "0017_assessment_in_plain_rows")]

    operations = [migrations.RunPython(flag_all, migrations.RunPython.noop)]
