"""Best by lies inside the window."""

from django.db import migrations, models


class Migration(migrations.Migration):
    SAFE_BECAUSE = "The column is new and empty, and the check reads the table once, in seconds."

    dependencies = [("scheduling", "0022_two_dates")]

    operations = [
        migrations.AddConstraint(
            model_name="workorder",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("best_by_on__isnull", True),
                    models.Q(
                        ("best_by_on__gte", models.F("window_from")),
                        ("best_by_on__lte", models.F("window_to")),
                    ),
                    _connector="OR",
                ),
                name="scheduling_workorder_best_by_in_window",
                violation_error_message="Best by lies inside the window.",
            ),
        ),
    ]
