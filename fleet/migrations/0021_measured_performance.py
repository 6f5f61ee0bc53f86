"""What is measured of a membrane is a limit of its own."""

from django.db import migrations, models


class Migration(migrations.Migration):
    SAFE_BECAUSE = "The table has one row a part and is rebuilt by assessment; checking a million rows takes under a second."

    dependencies = [
        ("fleet", "0020_reading_doubt"),
    ]

    operations = [
        migrations.RemoveConstraint(
            model_name='partstate',
            name='fleet_partstate_governing_known',
        ),
        migrations.AlterField(
            model_name='partstate',
            name='governing',
            field=models.CharField(blank=True, choices=[('volume', 'Volume'), ('calendar', 'Calendar'), ('chlorine_dose', 'Chlorine dose'), ('hardness_load', 'Hardness load'), ('oxidant_exposure', 'Oxidant exposure'), ('pressure_drop', 'Pressure drop'), ('measured_end', 'Measured end'), ('performance', 'Measured performance')], max_length=18),
        ),
        migrations.AddConstraint(
            model_name='partstate',
            constraint=models.CheckConstraint(condition=models.Q(('governing', ''), ('governing__in', ['volume', 'calendar', 'chlorine_dose', 'hardness_load', 'oxidant_exposure', 'pressure_drop', 'measured_end', 'performance']), _connector='OR'), name='fleet_partstate_governing_known'),
        ),
    ]
