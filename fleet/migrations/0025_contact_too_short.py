"""A carbon bed too small for its water is a finding of its own."""

from django.db import migrations, models


class Migration(migrations.Migration):
    SAFE_BECAUSE = "Findings are few rows beside readings; the widened check is validated in well under a second."

    dependencies = [
        ("fleet", "0024_closings_and_retirings_in_order"),
    ]

    operations = [
        migrations.RemoveConstraint(
            model_name='finding',
            name='fleet_finding_kind_known',
        ),
        migrations.AlterField(
            model_name='finding',
            name='kind',
            field=models.CharField(choices=[('change_due', 'Change due'), ('reflush_required', 'Re-flush required'), ('performance_decay', 'Performance decay'), ('meter_fault', 'Meter fault'), ('reading_wanted', 'Reading wanted'), ('feed_test_due', 'Feed test due'), ('contact_too_short', 'Contact time too short')], max_length=18),
        ),
        migrations.AddConstraint(
            model_name='finding',
            constraint=models.CheckConstraint(condition=models.Q(('kind__in', ['change_due', 'reflush_required', 'performance_decay', 'meter_fault', 'reading_wanted', 'feed_test_due', 'contact_too_short'])), name='fleet_finding_kind_known', violation_error_message='kind must be one of: change_due, reflush_required, performance_decay, meter_fault, reading_wanted, feed_test_due, contact_too_short.'),
        ),
    ]
