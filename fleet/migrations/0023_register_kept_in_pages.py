"""What pages keep of the register: contacts, models of units, where units stood and whose sites were."""

import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("fleet", "0022_search_by_trigrams"),
    ]

    operations = [
        migrations.CreateModel(
            name="CustomerContact",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("name", models.CharField(max_length=120)),
                (
                    "task",
                    models.CharField(
                        blank=True, help_text="What for, e.g. 'keys' or 'invoices'.", max_length=80
                    ),
                ),
                ("phone", models.CharField(blank=True, max_length=40)),
                ("email", models.EmailField(blank=True, max_length=254)),
            ],
            options={
                "ordering": ["customer", "name", "id"],
            },
        ),
        migrations.CreateModel(
            name="FormerCustomer",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("until_on", models.DateField(help_text="First day it was the next customer's.")),
            ],
            options={
                "ordering": ["site", "until_on"],
            },
        ),
        migrations.CreateModel(
            name="UnitModel",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("code", models.CharField(max_length=40, unique=True)),
                ("name", models.CharField(max_length=160)),
                ("design_recovery", models.FloatField(default=0.5)),
                (
                    "design_use_gal_per_day",
                    models.FloatField(help_text="Permeate a site is usually expected to use."),
                ),
                (
                    "design_permeate_gpm",
                    models.FloatField(help_text="Permeate flow while running, at 25 °C."),
                ),
                ("idle_limit_days", models.FloatField(default=14)),
                ("mains_voltage", models.PositiveSmallIntegerField(default=120)),
            ],
            options={
                "ordering": ["name", "id"],
            },
        ),
        migrations.CreateModel(
            name="UnitModelPosition",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("code", models.SlugField(max_length=40)),
                ("order", models.PositiveSmallIntegerField()),
                (
                    "water",
                    models.CharField(choices=[("feed", "Feed"), ("permeate", "Permeate")], max_length=8),
                ),
            ],
            options={
                "ordering": ["unit_model", "order"],
            },
        ),
        migrations.CreateModel(
            name="UnitStay",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("from_on", models.DateField(blank=True, null=True)),
                ("until_on", models.DateField(help_text="First day it stood elsewhere.")),
            ],
            options={
                "ordering": ["treatment_unit", "until_on", "id"],
            },
        ),
        migrations.CreateModel(
            name="UnitSwap",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("swapped_on", models.DateField()),
            ],
            options={
                "ordering": ["-swapped_on", "-id"],
            },
        ),
        migrations.AddField(
            model_name="customer",
            name="billing_address",
            field=models.TextField(blank=True, db_default="", default=""),
        ),
        migrations.AddField(
            model_name="customer",
            name="merged_into",
            field=models.ForeignKey(
                blank=True,
                editable=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="merged_from",
                to="fleet.customer",
            ),
        ),
        migrations.AddField(
            model_name="customer",
            name="note",
            field=models.TextField(blank=True, db_default="", default=""),
        ),
        migrations.AddField(
            model_name="site",
            name="closed_on",
            field=models.DateField(blank=True, help_text="First day it is not visited.", null=True),
        ),
        migrations.AddField(
            model_name="site",
            name="reopens_on",
            field=models.DateField(blank=True, help_text="First day it is visited again.", null=True),
        ),
        migrations.AddField(
            model_name="treatmentunit",
            name="retired_because",
            field=models.CharField(blank=True, db_default="", default="", max_length=160),
        ),
        migrations.AddField(
            model_name="treatmentunit",
            name="retired_on",
            field=models.DateField(blank=True, help_text="First day it serves nowhere any more.", null=True),
        ),
        migrations.AddConstraint(
            model_name="customer",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("merged_into__isnull", True),
                    models.Q(("merged_into", models.F("id")), _negated=True),
                    _connector="OR",
                ),
                name="fleet_customer_merged_into_another",
            ),
        ),
        migrations.AddField(
            model_name="customercontact",
            name="customer",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.CASCADE, related_name="contacts", to="fleet.customer"
            ),
        ),
        migrations.AddField(
            model_name="formercustomer",
            name="customer",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT, related_name="former_sites", to="fleet.customer"
            ),
        ),
        migrations.AddField(
            model_name="formercustomer",
            name="site",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.CASCADE, related_name="former_customers", to="fleet.site"
            ),
        ),
        migrations.AddConstraint(
            model_name="unitmodel",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("design_recovery__isnull", True),
                    models.Q(("design_recovery__gte", 0.01), ("design_recovery__lte", 0.99)),
                    _connector="OR",
                ),
                name="fleet_unitmodel_recovery_range",
                violation_error_message="design_recovery must be between 0.01 and 0.99.",
            ),
        ),
        migrations.AddConstraint(
            model_name="unitmodel",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("design_use_gal_per_day__isnull", True),
                    ("design_use_gal_per_day__gte", 0),
                    _connector="OR",
                ),
                name="fleet_unitmodel_use_not_negative",
                violation_error_message="design_use_gal_per_day must be 0 or more.",
            ),
        ),
        migrations.AddConstraint(
            model_name="unitmodel",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("design_permeate_gpm__isnull", True),
                    ("design_permeate_gpm__gte", 0.001),
                    _connector="OR",
                ),
                name="fleet_unitmodel_flow_positive",
                violation_error_message="design_permeate_gpm must be 0.001 or more.",
            ),
        ),
        migrations.AddConstraint(
            model_name="unitmodel",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("idle_limit_days__isnull", True), ("idle_limit_days__gte", 0.5), _connector="OR"
                ),
                name="fleet_unitmodel_idle_limit_positive",
                violation_error_message="idle_limit_days must be 0.5 or more.",
            ),
        ),
        migrations.AddField(
            model_name="treatmentunit",
            name="unit_model",
            field=models.ForeignKey(
                blank=True,
                db_index=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="fleet.unitmodel",
            ),
        ),
        migrations.AddField(
            model_name="unitmodelposition",
            name="unit_model",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.CASCADE, related_name="positions", to="fleet.unitmodel"
            ),
        ),
        migrations.AddField(
            model_name="unitmodelposition",
            name="usual_kind",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="usual_in",
                to="fleet.partkind",
            ),
        ),
        migrations.AddField(
            model_name="unitstay",
            name="site",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT, related_name="former_units", to="fleet.site"
            ),
        ),
        migrations.AddField(
            model_name="unitstay",
            name="treatment_unit",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.CASCADE, related_name="stays", to="fleet.treatmentunit"
            ),
        ),
        migrations.AddField(
            model_name="unitswap",
            name="new",
            field=models.OneToOneField(
                on_delete=django.db.models.deletion.CASCADE, related_name="replaces", to="fleet.treatmentunit"
            ),
        ),
        migrations.AddField(
            model_name="unitswap",
            name="old",
            field=models.OneToOneField(
                on_delete=django.db.models.deletion.CASCADE, related_name="replaced", to="fleet.treatmentunit"
            ),
        ),
        migrations.AddConstraint(
            model_name="customercontact",
            constraint=models.UniqueConstraint(
                fields=("customer", "name"), name="fleet_customercontact_name_once"
            ),
        ),
        migrations.AddConstraint(
            model_name="formercustomer",
            constraint=models.UniqueConstraint(
                fields=("site", "until_on"), name="fleet_formercustomer_once_per_day"
            ),
        ),
        migrations.AddConstraint(
            model_name="unitmodelposition",
            constraint=models.UniqueConstraint(
                fields=("unit_model", "code"), name="fleet_unitmodelposition_code_once"
            ),
        ),
        migrations.AddConstraint(
            model_name="unitmodelposition",
            constraint=models.UniqueConstraint(
                fields=("unit_model", "order"), name="fleet_unitmodelposition_order_once"
            ),
        ),
        migrations.AddConstraint(
            model_name="unitmodelposition",
            constraint=models.CheckConstraint(
                condition=models.Q(("water__in", ["feed", "permeate"])),
                name="fleet_unitmodelposition_water_known",
                violation_error_message="water must be one of: feed, permeate.",
            ),
        ),
        migrations.AddConstraint(
            model_name="unitstay",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("from_on__isnull", True), ("until_on__gte", models.F("from_on")), _connector="OR"
                ),
                name="fleet_unitstay_ends_after_start",
            ),
        ),
        migrations.AddConstraint(
            model_name="unitswap",
            constraint=models.CheckConstraint(
                condition=models.Q(("old", models.F("new")), _negated=True), name="fleet_unitswap_two_units"
            ),
        ),
    ]
