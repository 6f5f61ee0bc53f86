"""What was done at one visit is found by it."""

from django.db import migrations, models

from shared.migration_parts import AddIndexConcurrently


class Migration(migrations.Migration):
    atomic = False

    dependencies = [("scheduling", "0015_visits")]

    operations = [
        AddIndexConcurrently(
            model_name="closeout",
            index=models.Index(fields=["visit"], name="scheduling_closeout_of_visit"),
        ),
    ]
