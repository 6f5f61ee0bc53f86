"""Absences by hours and repeated, closures of sites, public holidays, shift patterns by date."""

import datetime
import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("fleet", "0019_message_fields"),
        ("scheduling", "0018_mappings_of_own_spreadsheets"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name="CalendarDay",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("day", models.DateField()),
                ("is_worked", models.BooleanField()),
                ("reason", models.CharField(blank=True, max_length=80)),
            ],
            options={
                "ordering": ["branch", "day"],
            },
        ),
        migrations.CreateModel(
            name="HolidayRegion",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "country",
                    models.CharField(blank=True, help_text="ISO 3166-1; empty: no holidays.", max_length=2),
                ),
                (
                    "subdivision",
                    models.CharField(blank=True, help_text="ISO 3166-2 without the country.", max_length=10),
                ),
            ],
        ),
        migrations.CreateModel(
            name="SiteClosure",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("first_on", models.DateField()),
                ("last_on", models.DateField()),
                ("reason", models.CharField(blank=True, max_length=80)),
            ],
            options={
                "ordering": ["site", "first_on"],
            },
        ),
        migrations.AlterModelOptions(
            name="shift",
            options={"ordering": ["technician", "from_on", "weekday"]},
        ),
        migrations.RemoveConstraint(
            model_name="shift",
            name="scheduling_shift_one_per_weekday",
        ),
        migrations.AddField(
            model_name="absence",
            name="ends_at",
            field=models.TimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="absence",
            name="repeats_until",
            field=models.DateField(blank=True, help_text="Empty: once.", null=True),
        ),
        migrations.AddField(
            model_name="absence",
            name="starts_at",
            field=models.TimeField(blank=True, help_text="Empty: all day.", null=True),
        ),
        migrations.AddField(
            model_name="shift",
            name="from_on",
            field=models.DateField(db_default=datetime.date(2000, 1, 1), default=datetime.date(2000, 1, 1)),
        ),
        migrations.AddField(
            model_name="technician",
            name="last_on",
            field=models.DateField(blank=True, help_text="Last day of work; empty: no end known.", null=True),
        ),
        migrations.AddField(
            model_name="technician",
            name="works_from",
            field=models.DateField(blank=True, help_text="First day of work; empty: before all.", null=True),
        ),
        migrations.AddConstraint(
            model_name="absence",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("ends_at__isnull", True), ("starts_at__isnull", True)),
                    ("ends_at__gt", models.F("starts_at")),
                    _connector="OR",
                ),
                name="scheduling_absence_hours_end_after_start",
            ),
        ),
        migrations.AddConstraint(
            model_name="absence",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("ends_at__isnull", True), ("starts_at__isnull", True)),
                    models.Q(("ends_at__isnull", False), ("starts_at__isnull", False)),
                    _connector="OR",
                ),
                name="scheduling_absence_hours_together",
                violation_error_message="starts_at and ends_at go together: fill in both or neither.",
            ),
        ),
        migrations.AddConstraint(
            model_name="absence",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("repeats_until__isnull", True),
                    ("repeats_until__gte", models.F("last_on")),
                    _connector="OR",
                ),
                name="scheduling_absence_repeats_after_last",
            ),
        ),
        migrations.AddConstraint(
            model_name="shift",
            constraint=models.UniqueConstraint(
                fields=("technician", "from_on", "weekday"), name="scheduling_shift_once_per_pattern"
            ),
        ),
        migrations.AddConstraint(
            model_name="technician",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("last_on__isnull", True),
                    ("works_from__isnull", True),
                    ("last_on__gte", models.F("works_from")),
                    _connector="OR",
                ),
                name="scheduling_technician_leaves_after_coming",
                violation_error_message="Nobody leaves before the first day.",
            ),
        ),
        migrations.AddField(
            model_name="calendarday",
            name="branch",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.CASCADE, related_name="calendar_days", to="fleet.branch"
            ),
        ),
        migrations.AddField(
            model_name="holidayregion",
            name="branch",
            field=models.OneToOneField(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.CASCADE,
                related_name="holiday_region",
                to="fleet.branch",
            ),
        ),
        migrations.AddField(
            model_name="siteclosure",
            name="site",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.CASCADE, related_name="closures", to="fleet.site"
            ),
        ),
        migrations.AddConstraint(
            model_name="calendarday",
            constraint=models.UniqueConstraint(fields=("branch", "day"), name="scheduling_calendarday_once"),
        ),
        migrations.AddConstraint(
            model_name="holidayregion",
            constraint=models.UniqueConstraint(
                models.Case(models.When(branch__isnull=True, then=1)),
                condition=models.Q(("branch__isnull", True)),
                name="scheduling_holidayregion_one_of_company",
            ),
        ),
        migrations.AddConstraint(
            model_name="siteclosure",
            constraint=models.CheckConstraint(
                condition=models.Q(("last_on__gte", models.F("first_on"))),
                name="scheduling_siteclosure_last_not_before_first",
            ),
        ),
    ]
