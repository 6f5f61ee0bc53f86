"""Why work could not be done is one of the known reasons."""

from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    SAFE_BECAUSE = "The column came with the visits of this same release; checking one row a closed order takes under a second."

    dependencies = [
        ("scheduling", "0024_prices_of_visits"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.AddConstraint(
            model_name='closeout',
            constraint=models.CheckConstraint(condition=models.Q(('not_done_because__in', ['', 'nobody_there', 'no_access', 'unit_not_found', 'wrong_part', 'leak_or_damage', 'unsafe', 'other'])), name='scheduling_closeout_not_done_because_known'),
        ),
    ]
