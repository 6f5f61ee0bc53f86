"""Standing findings in the order in which the overview shows them."""

from django.db import migrations, models

from shared.migration_parts import AddIndexConcurrently


class Migration(migrations.Migration):
    atomic = False

    dependencies = [("fleet", "0012_readings_in_partitions")]

    operations = [
        AddIndexConcurrently(
            model_name="finding",
            index=models.Index(
                condition=models.Q(("gone_at__isnull", True)),
                fields=["kind", "-strength", "id"],
                name="fleet_finding_by_risk",
            ),
        ),
    ]
