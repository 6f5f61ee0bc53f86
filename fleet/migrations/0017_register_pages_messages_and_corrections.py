"""Assessment in plain rows, sentences as messages, what pages keep of the register, places, corrections, seals.

Columns and tables that states no longer use stay for the release still running and are taken away one release later.
"""

import django.db.models.deletion
import shared.translation
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    SAFE_BECAUSE = (
        "New columns are empty, texts widen without a reading of the rows, and each check reads a table of a row a part, "
        "unit or finding once, in about a second for 100,000 units; readings are not read."
    )

    replaces = [
        ("fleet", "0017_assessment_in_plain_rows"),
        ("fleet", "0019_message_fields"),
        ("fleet", "0020_reading_doubt"),
        ("fleet", "0021_measured_performance"),
        ("fleet", "0023_register_kept_in_pages"),
        ("fleet", "0024_closings_and_retirings_in_order"),
        ("fleet", "0025_contact_too_short"),
        ("fleet", "0026_places_of_sites"),
        ("fleet", "0029_evidence_at_removal"),
        ("fleet", "0030_corrections"),
        ("fleet", "0031_doubt_may_be_blank"),
        ("fleet", "0032_history_seals"),
    ]

    dependencies = [("fleet", "0016_room_in_the_pages_of_states")]

    operations = [
        migrations.CreateModel(
            name='CustomerContact',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(max_length=120)),
                ('task', models.CharField(blank=True, help_text="What for, e.g. 'keys' or 'invoices'.", max_length=80)),
                ('phone', models.CharField(blank=True, max_length=40)),
                ('email', models.EmailField(blank=True, max_length=254)),
                ('customer', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='contacts', to='fleet.customer')),
            ],
            options={
                'ordering': ['customer', 'name', 'id'],
                'constraints': [models.UniqueConstraint(fields=('customer', 'name'), name='fleet_customercontact_name_once')],
            },
        ),
        migrations.CreateModel(
            name='FormerCustomer',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('until_on', models.DateField(help_text="First day it was the next customer's.")),
                ('customer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='former_sites', to='fleet.customer')),
                ('site', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='former_customers', to='fleet.site')),
            ],
            options={
                'ordering': ['site', 'until_on'],
                'constraints': [models.UniqueConstraint(fields=('site', 'until_on'), name='fleet_formercustomer_once_per_day')],
            },
        ),
        migrations.CreateModel(
            name='UnitModel',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('code', models.CharField(max_length=40, unique=True)),
                ('name', models.CharField(max_length=160)),
                ('design_recovery', models.FloatField(default=0.5)),
                ('design_use_gal_per_day', models.FloatField(help_text='Permeate a site is usually expected to use.')),
                ('design_permeate_gpm', models.FloatField(help_text='Permeate flow while running, at 25 °C.')),
                ('idle_limit_days', models.FloatField(default=14)),
                ('mains_voltage', models.PositiveSmallIntegerField(default=120)),
            ],
            options={
                'ordering': ['name', 'id'],
                'constraints': [models.CheckConstraint(condition=models.Q(('design_recovery__isnull', True), models.Q(('design_recovery__gte', 0.01), ('design_recovery__lte', 0.99)), _connector='OR'), name='fleet_unitmodel_recovery_range', violation_error_message='design_recovery must be between 0.01 and 0.99.'), models.CheckConstraint(condition=models.Q(('design_use_gal_per_day__isnull', True), ('design_use_gal_per_day__gte', 0), _connector='OR'), name='fleet_unitmodel_use_not_negative', violation_error_message='design_use_gal_per_day must be 0 or more.'), models.CheckConstraint(condition=models.Q(('design_permeate_gpm__isnull', True), ('design_permeate_gpm__gte', 0.001), _connector='OR'), name='fleet_unitmodel_flow_positive', violation_error_message='design_permeate_gpm must be 0.001 or more.'), models.CheckConstraint(condition=models.Q(('idle_limit_days__isnull', True), ('idle_limit_days__gte', 0.5), _connector='OR'), name='fleet_unitmodel_idle_limit_positive', violation_error_message='idle_limit_days must be 0.5 or more.')],
            },
        ),
        migrations.CreateModel(
            name='UnitModelPosition',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('code', models.SlugField(max_length=40)),
                ('order', models.PositiveSmallIntegerField()),
                ('water', models.CharField(choices=[('feed', 'Feed'), ('permeate', 'Permeate')], max_length=8)),
                ('unit_model', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='positions', to='fleet.unitmodel')),
                ('usual_kind', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='usual_in', to='fleet.partkind')),
            ],
            options={
                'ordering': ['unit_model', 'order'],
                'constraints': [models.UniqueConstraint(fields=('unit_model', 'code'), name='fleet_unitmodelposition_code_once'), models.UniqueConstraint(fields=('unit_model', 'order'), name='fleet_unitmodelposition_order_once'), models.CheckConstraint(condition=models.Q(('water__in', ['feed', 'permeate'])), name='fleet_unitmodelposition_water_known', violation_error_message='water must be one of: feed, permeate.')],
            },
        ),
        migrations.CreateModel(
            name='UnitStay',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('from_on', models.DateField(blank=True, null=True)),
                ('until_on', models.DateField(help_text='First day it stood elsewhere.')),
                ('site', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='former_units', to='fleet.site')),
                ('treatment_unit', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='stays', to='fleet.treatmentunit')),
            ],
            options={
                'ordering': ['treatment_unit', 'until_on', 'id'],
                'constraints': [models.CheckConstraint(condition=models.Q(('from_on__isnull', True), ('until_on__gte', models.F('from_on')), _connector='OR'), name='fleet_unitstay_ends_after_start')],
            },
        ),
        migrations.CreateModel(
            name='UnitSwap',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('swapped_on', models.DateField()),
                ('new', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='replaces', to='fleet.treatmentunit')),
                ('old', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='replaced', to='fleet.treatmentunit')),
            ],
            options={
                'ordering': ['-swapped_on', '-id'],
                'constraints': [models.CheckConstraint(condition=models.Q(('old', models.F('new')), _negated=True), name='fleet_unitswap_two_units')],
            },
        ),
        migrations.CreateModel(
            name='SitePlace',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('latitude', models.FloatField()),
                ('longitude', models.FloatField()),
                ('source', models.CharField(choices=[('typed', 'Typed coordinates'), ('town', 'Its town'), ('postal_code', 'Its postal code'), ('map', 'Shown on the map'), ('geocoder', 'Geocoder'), ('phone', 'A phone at a visit')], max_length=12)),
                ('accuracy_m', models.FloatField(blank=True, help_text='Radius it lies within, nearly surely.', null=True)),
                ('placed_at', models.DateTimeField()),
                ('confirmed_at', models.DateTimeField(blank=True, null=True)),
                ('site', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='place', to='fleet.site')),
            ],
            options={
                'ordering': ['site'],
                'constraints': [models.CheckConstraint(condition=models.Q(('source__in', ['typed', 'town', 'postal_code', 'map', 'geocoder', 'phone'])), name='fleet_siteplace_source_known', violation_error_message='source must be one of: typed, town, postal_code, map, geocoder, phone.'), models.CheckConstraint(condition=models.Q(('latitude__isnull', True), models.Q(('latitude__gte', -90), ('latitude__lte', 90)), _connector='OR'), name='fleet_siteplace_latitude_on_earth', violation_error_message='latitude must be between -90 and 90.'), models.CheckConstraint(condition=models.Q(('longitude__isnull', True), models.Q(('longitude__gte', -180), ('longitude__lte', 180)), _connector='OR'), name='fleet_siteplace_longitude_on_earth', violation_error_message='longitude must be between -180 and 180.'), models.CheckConstraint(condition=models.Q(('accuracy_m__isnull', True), ('accuracy_m__gte', 0), _connector='OR'), name='fleet_siteplace_accuracy_not_negative', violation_error_message='accuracy_m must be 0 or more.')],
            },
        ),
        migrations.CreateModel(
            name='RemovalEvidence',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('measured_at', models.DateTimeField()),
                ('total_chlorine_behind_mg_l', models.FloatField(blank=True, null=True)),
                ('delta_p_psi', models.FloatField(blank=True, help_text='Across the old part, at usual flow.', null=True)),
                ('permeate_conductivity_us_cm', models.FloatField(blank=True, null=True)),
                ('part', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='removal_evidence', to='fleet.part')),
            ],
            options={
                'verbose_name_plural': 'removal evidence',
                'constraints': [models.CheckConstraint(condition=models.Q(('total_chlorine_behind_mg_l__isnull', True), models.Q(('total_chlorine_behind_mg_l__gte', 0), ('total_chlorine_behind_mg_l__lte', 50)), _connector='OR'), name='fleet_removalevidence_chlorine_range', violation_error_message='total_chlorine_behind_mg_l must be between 0 and 50.'), models.CheckConstraint(condition=models.Q(('delta_p_psi__isnull', True), models.Q(('delta_p_psi__gte', 0), ('delta_p_psi__lte', 500)), _connector='OR'), name='fleet_removalevidence_delta_p_range', violation_error_message='delta_p_psi must be between 0 and 500.'), models.CheckConstraint(condition=models.Q(('permeate_conductivity_us_cm__isnull', True), models.Q(('permeate_conductivity_us_cm__gte', 0), ('permeate_conductivity_us_cm__lte', 100000)), _connector='OR'), name='fleet_removalevidence_conductivity_range', violation_error_message='permeate_conductivity_us_cm must be between 0 and 100000.')],
            },
        ),
        migrations.CreateModel(
            name='Correction',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('of', models.CharField(choices=[('meter_reading', 'Meter reading'), ('gauges', 'Gauges and flows'), ('feed_test', 'Feed test'), ('part', 'Part'), ('flush', 'Flush')], max_length=14)),
                ('first_id', models.BigIntegerField(help_text='The row as first recorded, the same for all its corrections.')),
                ('now_id', models.BigIntegerField(help_text='The row that stands since.')),
                ('about', models.CharField(max_length=120)),
                ('field', models.CharField(max_length=40)),
                ('was', models.CharField(blank=True, max_length=60)),
                ('became', models.CharField(blank=True, max_length=60)),
                ('reason', models.CharField(max_length=200)),
                ('door', models.CharField(choices=[('page', 'Page'), ('api', 'Another program')], max_length=4)),
                ('at', models.DateTimeField()),
                ('by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('site', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='corrections', to='fleet.site')),
                ('supply', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, to='fleet.watersupply')),
                ('treatment_unit', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='corrections', to='fleet.treatmentunit')),
            ],
            options={
                'ordering': ['at', 'id'],
                'indexes': [models.Index(fields=['of', 'now_id'], name='fleet_correction_of_row'), models.Index(fields=['of', 'first_id'], name='fleet_correction_of_first')],
                'constraints': [models.CheckConstraint(condition=models.Q(('of__in', ['meter_reading', 'gauges', 'feed_test', 'part', 'flush'])), name='fleet_correction_of_known', violation_error_message='of must be one of: meter_reading, gauges, feed_test, part, flush.'), models.CheckConstraint(condition=models.Q(('door__in', ['page', 'api'])), name='fleet_correction_door_known', violation_error_message='door must be one of: page, api.'), models.CheckConstraint(condition=models.Q(('reason', ''), _negated=True), name='fleet_correction_says_why'), models.CheckConstraint(condition=models.Q(('was', models.F('became')), _negated=True), name='fleet_correction_changes_something'), models.CheckConstraint(condition=models.Q(('treatment_unit__isnull', False), ('site__isnull', False), ('supply__isnull', False), _connector='XOR'), name='fleet_correction_belongs_to_one')],
            },
        ),
        migrations.CreateModel(
            name='HistorySeal',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('table', models.CharField(max_length=63)),
                ('row', models.BigIntegerField()),
                ('digest', models.BinaryField(help_text='SHA-256.', max_length=32)),
            ],
            options={
                'ordering': ['id'],
                'constraints': [models.UniqueConstraint(fields=('table', 'row'), name='fleet_historyseal_once')],
            },
        ),
        migrations.AlterField('assessmentrun', 'is_full', models.BooleanField(db_default=True, default=False)),
        migrations.SeparateDatabaseAndState(
            state_operations=[
                migrations.RenameField('partstate', 'written_numbers', 'numbers'),
                migrations.AlterField('partstate', 'numbers', models.JSONField(blank=True, default=dict, help_text='Every input and figure.')),
                migrations.RemoveField('partstate', 'packed'),
                migrations.RenameField('unitstate', 'written_numbers', 'numbers'),
                migrations.AlterField('unitstate', 'numbers', models.JSONField(blank=True, default=dict, help_text='Every input and figure.')),
                migrations.RemoveField('unitstate', 'packed'),
                migrations.RemoveField('unitstate', 'look_again_on'),
                migrations.RemoveField('assessmentrun', 'is_full'),
                migrations.DeleteModel('DayReading'),
                migrations.RenameModel('ChangeMark', 'StaleFlag'),
                migrations.AlterModelTable('staleflag', 'fleet_changemark'),
            ],
        ),
        migrations.SeparateDatabaseAndState(
            state_operations=[
                migrations.AlterField('auditentry', 'detail', shared.translation.MessageField(blank=True)),
                migrations.AlterField('finding', 'why', shared.translation.MessageField()),
            ],
        ),
        migrations.AlterField('deadletter', 'reason', shared.translation.MessageField()),
        migrations.AlterField('deadletter', 'remedy', shared.translation.MessageField(blank=True)),
        migrations.AlterField('finding', 'gone_because', shared.translation.MessageField(blank=True, null=True)),
        migrations.AlterField('readinesschange', 'because', shared.translation.MessageField(blank=True)),
        migrations.AlterField('taskrun', 'problem', shared.translation.MessageField(blank=True, help_text="In plain words, without anybody's data.")),
        migrations.AlterField('webhook', 'off_because', shared.translation.MessageField(blank=True, help_text='Set when it was switched off.')),
        migrations.AlterField('webhookattempt', 'problem', shared.translation.MessageField(blank=True)),
        migrations.AddField('meterreading', 'doubt', shared.translation.MessageField(help_text='What was odd when it came in, and why it was kept.', null=True)),
        migrations.RemoveConstraint('partstate', 'fleet_partstate_governing_known'),
        migrations.AlterField('partstate', 'governing', models.CharField(blank=True, choices=[('volume', 'Volume'), ('calendar', 'Calendar'), ('chlorine_dose', 'Chlorine dose'), ('hardness_load', 'Hardness load'), ('oxidant_exposure', 'Oxidant exposure'), ('pressure_drop', 'Pressure drop'), ('measured_end', 'Measured end'), ('performance', 'Measured performance')], max_length=18)),
        migrations.AddConstraint('partstate', models.CheckConstraint(condition=models.Q(('governing', ''), ('governing__in', ['volume', 'calendar', 'chlorine_dose', 'hardness_load', 'oxidant_exposure', 'pressure_drop', 'measured_end', 'performance']), _connector='OR'), name='fleet_partstate_governing_known')),
        migrations.AddField('customer', 'billing_address', models.TextField(blank=True, db_default='', default='')),
        migrations.AddField('customer', 'merged_into', models.ForeignKey(blank=True, editable=False, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='merged_from', to='fleet.customer')),
        migrations.AddField('customer', 'note', models.TextField(blank=True, db_default='', default='')),
        migrations.AddField('site', 'closed_on', models.DateField(blank=True, help_text='First day it is not visited.', null=True)),
        migrations.AddField('site', 'reopens_on', models.DateField(blank=True, help_text='First day it is visited again.', null=True)),
        migrations.AddField('treatmentunit', 'retired_because', models.CharField(blank=True, db_default='', default='', max_length=160)),
        migrations.AddField('treatmentunit', 'retired_on', models.DateField(blank=True, help_text='First day it serves nowhere any more.', null=True)),
        migrations.AddConstraint('customer', models.CheckConstraint(condition=models.Q(('merged_into__isnull', True), models.Q(('merged_into', models.F('id')), _negated=True), _connector='OR'), name='fleet_customer_merged_into_another')),
        migrations.AddField('treatmentunit', 'unit_model', models.ForeignKey(blank=True, db_index=False, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='fleet.unitmodel')),
        migrations.AddConstraint('site', models.CheckConstraint(condition=models.Q(('reopens_on__isnull', True), models.Q(('closed_on__isnull', False), ('reopens_on__gt', models.F('closed_on'))), _connector='OR'), name='fleet_site_reopens_after_it_closed', violation_error_message='A site reopens on a day after the one it closed on.')),
        migrations.AddConstraint('treatmentunit', models.CheckConstraint(condition=models.Q(('retired_on__isnull', True), models.Q(('is_out_of_service', True), models.Q(('retired_because', ''), _negated=True)), _connector='OR'), name='fleet_treatmentunit_retired_with_reason', violation_error_message='A retired unit is out of service and says why.')),
        migrations.RemoveConstraint('finding', 'fleet_finding_kind_known'),
        migrations.AlterField('finding', 'kind', models.CharField(choices=[('change_due', 'Change due'), ('reflush_required', 'Re-flush required'), ('performance_decay', 'Performance decay'), ('meter_fault', 'Meter fault'), ('reading_wanted', 'Reading wanted'), ('feed_test_due', 'Feed test due'), ('contact_too_short', 'Contact time too short')], max_length=18)),
        migrations.AddConstraint('finding', models.CheckConstraint(condition=models.Q(('kind__in', ['change_due', 'reflush_required', 'performance_decay', 'meter_fault', 'reading_wanted', 'feed_test_due', 'contact_too_short'])), name='fleet_finding_kind_known', violation_error_message='kind must be one of: change_due, reflush_required, performance_decay, meter_fault, reading_wanted, feed_test_due, contact_too_short.')),
        migrations.AddField('flush', 'missing', shared.translation.MessageField(blank=True, db_default='', default='', help_text='What it lacked, so that it clears nothing.')),
        migrations.AlterField('meterreading', 'doubt', shared.translation.MessageField(blank=True, help_text='What was odd when it came in, and why it was kept.', null=True)),
    ]
