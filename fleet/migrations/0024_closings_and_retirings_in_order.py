"""A site reopens after it closed, and a retired unit says why."""

from django.db import migrations, models


class Migration(migrations.Migration):
    SAFE_BECAUSE = (
        "The columns are new and empty; both tables have a row for each site or unit, not for each reading."
    )

    dependencies = [
        ("fleet", "0023_register_kept_in_pages"),
    ]

    operations = [
        migrations.AddConstraint(
            model_name="site",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("reopens_on__isnull", True),
                    models.Q(("closed_on__isnull", False), ("reopens_on__gt", models.F("closed_on"))),
                    _connector="OR",
                ),
                name="fleet_site_reopens_after_it_closed",
                violation_error_message="A site reopens on a day after the one it closed on.",
            ),
        ),
        migrations.AddConstraint(
            model_name="treatmentunit",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("retired_on__isnull", True),
                    models.Q(("is_out_of_service", True), models.Q(("retired_because", ""), _negated=True)),
                    _connector="OR",
                ),
                name="fleet_treatmentunit_retired_with_reason",
                violation_error_message="A retired unit is out of service and says why.",
            ),
        ),
    ]
