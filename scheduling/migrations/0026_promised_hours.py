"""Hours of the promised day in which work begins, by the site's clock."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("scheduling", "0014_visits_of_close_outs")]

    operations = [
        migrations.AddField(
            "workorder",
            "promised_from",
            models.TimeField(blank=True, help_text="Work begins then at the earliest.", null=True),
        ),
        migrations.AddField(
            "workorder",
            "promised_until",
            models.TimeField(blank=True, help_text="And here at the latest.", null=True),
        ),
    ]
