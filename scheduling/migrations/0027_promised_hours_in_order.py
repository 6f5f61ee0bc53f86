"""Promised hours have a day, and end after they begin."""

from django.db import migrations, models
from django.db.models import F, Q


class Migration(migrations.Migration):
    SAFE_BECAUSE = "The columns are new and empty, and the check reads the table once, in seconds."

    dependencies = [("scheduling", "0026_promised_hours")]

    operations = [
        migrations.AddConstraint(
            "workorder",
            models.CheckConstraint(
                condition=Q(promised_from__isnull=True, promised_until__isnull=True)
                | Q(
                    promised_on__isnull=False,
                    promised_from__isnull=False,
                    promised_until__isnull=False,
                    promised_from__lt=F("promised_until"),
                ),
                name="scheduling_workorder_promised_hours_in_order",
                violation_error_message="Promised hours have a day, and end after they begin.",
            ),
        ),
    ]
