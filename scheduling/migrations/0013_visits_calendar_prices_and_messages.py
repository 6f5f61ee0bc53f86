"""Sentences as messages, visits, own spreadsheets, the calendar by hours and closures, changes of prices, two dates."""

import datetime
import django.db.models.deletion
import shared.translation
import uuid
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    SAFE_BECAUSE = (
        "New columns are empty, texts widen without a reading of the rows, and each check reads its table once: "
        "one row an order or close-out, in seconds for 100,000 units."
    )

    replaces = [
        ("scheduling", "0013_message_fields"),
        ("scheduling", "0015_visits"),
        ("scheduling", "0018_mappings_of_own_spreadsheets"),
        ("scheduling", "0019_calendar_by_hours_closures_and_holidays"),
        ("scheduling", "0020_changes_of_many_prices"),
        ("scheduling", "0021_new_customer_draft"),
        ("scheduling", "0022_two_dates"),
        ("scheduling", "0023_best_by_in_window"),
        ("scheduling", "0024_prices_of_visits"),
        ("scheduling", "0025_reasons_are_known"),
    ]

    dependencies = [("fleet", "0017_register_pages_messages_and_corrections"), ("scheduling", "0012_lists_of_a_large_company"), migrations.swappable_dependency(settings.AUTH_USER_MODEL)]

    operations = [
        migrations.CreateModel(
            name='Visit',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('client_id', models.UUIDField(default=uuid.uuid4, help_text='Made on the phone.', unique=True)),
                ('started_at', models.DateTimeField(blank=True, null=True)),
                ('finished_at', models.DateTimeField()),
                ('received_at', models.DateTimeField()),
                ('site', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='visits', to='fleet.site')),
                ('stop', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='visits', to='scheduling.stop')),
                ('technician', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='visits', to='scheduling.technician')),
            ],
            options={
                'ordering': ['-finished_at', '-id'],
                'constraints': [models.CheckConstraint(condition=models.Q(('started_at__isnull', True), ('started_at__lte', models.F('finished_at')), _connector='OR'), name='scheduling_visit_starts_before_end')],
            },
        ),
        migrations.CreateModel(
            name='SpreadsheetMapping',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(max_length=80, unique=True)),
                ('headers', models.JSONField(help_text='Headers by sheet name, by which a file like it is known.')),
                ('choices', models.JSONField(help_text='What each column means and what holds for the whole file.')),
                ('changed_at', models.DateTimeField()),
                ('changed_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={'ordering': ['-changed_at', '-id']},
        ),
        migrations.CreateModel(
            name='CalendarDay',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('day', models.DateField()),
                ('is_worked', models.BooleanField()),
                ('reason', models.CharField(blank=True, max_length=80)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='calendar_days', to='fleet.branch')),
            ],
            options={
                'ordering': ['branch', 'day'],
                'constraints': [models.UniqueConstraint(fields=('branch', 'day'), name='scheduling_calendarday_once')],
            },
        ),
        migrations.CreateModel(
            name='HolidayRegion',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('country', models.CharField(blank=True, help_text='ISO 3166-1; empty: no holidays.', max_length=2)),
                ('subdivision', models.CharField(blank=True, help_text='ISO 3166-2 without the country.', max_length=10)),
                ('branch', models.OneToOneField(blank=True, null=True, on_delete=django.db.models.deletion.CASCADE, related_name='holiday_region', to='fleet.branch')),
            ],
            options={
                'constraints': [models.UniqueConstraint(models.Case(models.When(branch__isnull=True, then=1)), condition=models.Q(('branch__isnull', True)), name='scheduling_holidayregion_one_of_company')],
            },
        ),
        migrations.CreateModel(
            name='SiteClosure',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('first_on', models.DateField()),
                ('last_on', models.DateField()),
                ('reason', models.CharField(blank=True, max_length=80)),
                ('site', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='closures', to='fleet.site')),
            ],
            options={
                'ordering': ['site', 'first_on'],
                'constraints': [models.CheckConstraint(condition=models.Q(('last_on__gte', models.F('first_on'))), name='scheduling_siteclosure_last_not_before_first')],
            },
        ),
        migrations.CreateModel(
            name='PriceChange',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('taken_back_at', models.DateTimeField(blank=True, null=True)),
                ('from_on', models.DateField()),
                ('percent', models.DecimalField(blank=True, decimal_places=2, max_digits=6, null=True)),
                ('amount', models.DecimalField(blank=True, decimal_places=2, help_text="Added per plan's own interval.", max_digits=10, null=True)),
                ('chosen', models.CharField(blank=True, help_text='Which plans, as they were chosen.', max_length=300)),
                ('lines', models.JSONField(default=list, help_text='Of each plan: code, old and new price.')),
                ('made_at', models.DateTimeField()),
                ('made_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('taken_back_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['-made_at', '-id'],
                'constraints': [models.CheckConstraint(condition=models.Q(models.Q(('amount__isnull', False), ('percent__isnull', True)), models.Q(('amount__isnull', True), ('percent__isnull', False)), _connector='OR'), name='scheduling_pricechange_percent_or_amount')],
            },
        ),
        migrations.CreateModel(
            name='NewCustomerDraft',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('fields', models.JSONField(default=dict)),
                ('changed_at', models.DateTimeField()),
                ('person', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='new_customer_draft', to=settings.AUTH_USER_MODEL)),
            ],
            options={'ordering': ['person']},
        ),
        migrations.SeparateDatabaseAndState(
            state_operations=[
                migrations.AlterField('stepsheet', 'cautions', shared.translation.MessagesField(default=list)),
                migrations.AlterField('stepsheet', 'steps', shared.translation.MessagesField(default=list, help_text='[{code, text, is_hazard_control, asks}] in the order they are done.')),
                migrations.AlterField('longjob', 'answer', shared.translation.MessagesField(blank=True, default=dict, help_text='What came of it.')),
                migrations.AlterField('longjob', 'problem', shared.translation.MessageField(blank=True, help_text='Why it failed, with the remedy.')),
                migrations.AlterField('planrevision', 'effect', shared.translation.MessagesField(blank=True, default=dict)),
                migrations.AlterField('planrevision', 'what', shared.translation.MessageField()),
                migrations.AlterField('replan', 'effect', shared.translation.MessagesField(blank=True, default=dict)),
                migrations.AlterField('replan', 'lost', shared.translation.MessagesField(blank=True, default=list, help_text='Promises that could not be kept, and why.')),
                migrations.AlterField('routeproposal', 'problems', shared.translation.MessagesField(blank=True, default=list, help_text='What was refused, with its remedy.')),
                migrations.AlterField('stop', 'why', shared.translation.MessageField(blank=True)),
                migrations.AlterField('stoporder', 'why', shared.translation.MessageField(blank=True)),
                migrations.AlterField('unplacedorder', 'text', shared.translation.MessageField()),
                migrations.AlterField('workorder', 'why', shared.translation.MessageField()),
                migrations.AlterField('workorderevent', 'detail', shared.translation.MessageField(blank=True)),
            ],
        ),
        migrations.AlterField('invoiceline', 'text', shared.translation.MessageField()),
        migrations.AlterField('notice', 'problem', shared.translation.MessageField(blank=True)),
        migrations.AlterField('revenueentry', 'text', shared.translation.MessageField()),
        migrations.AlterField('routeproposal', 'progress_text', shared.translation.MessageField(blank=True)),
        migrations.AlterField('stockmovement', 'note', shared.translation.MessageField(blank=True)),
        migrations.AlterField('workorder', 'withdrawn_because', shared.translation.MessageField(blank=True)),
        migrations.AddField('closeout', 'not_done_because', models.CharField(blank=True, choices=[('nobody_there', 'Nobody there'), ('no_access', 'No access'), ('unit_not_found', 'Unit not found'), ('wrong_part', 'Wrong or missing part'), ('leak_or_damage', 'Leak or damage'), ('unsafe', 'Unsafe'), ('other', 'Something else')], db_default='', default='', max_length=16)),
        migrations.AddField('closeout', 'visit', models.ForeignKey(blank=True, db_index=False, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='close_outs', to='scheduling.visit')),
        migrations.AlterModelOptions(
            name='shift',
            options={'ordering': ['technician', 'from_on', 'weekday']},
        ),
        migrations.RemoveConstraint('shift', 'scheduling_shift_one_per_weekday'),
        migrations.AddField('absence', 'ends_at', models.TimeField(blank=True, null=True)),
        migrations.AddField('absence', 'repeats_until', models.DateField(blank=True, help_text='Empty: once.', null=True)),
        migrations.AddField('absence', 'starts_at', models.TimeField(blank=True, help_text='Empty: all day.', null=True)),
        migrations.AddField('shift', 'from_on', models.DateField(db_default=datetime.date(2000, 1, 1), default=datetime.date(2000, 1, 1))),
        migrations.AddField('technician', 'last_on', models.DateField(blank=True, help_text='Last day of work; empty: no end known.', null=True)),
        migrations.AddField('technician', 'works_from', models.DateField(blank=True, help_text='First day of work; empty: before all.', null=True)),
        migrations.AddConstraint('absence', models.CheckConstraint(condition=models.Q(models.Q(('ends_at__isnull', True), ('starts_at__isnull', True)), ('ends_at__gt', models.F('starts_at')), _connector='OR'), name='scheduling_absence_hours_end_after_start')),
        migrations.AddConstraint('absence', models.CheckConstraint(condition=models.Q(models.Q(('ends_at__isnull', True), ('starts_at__isnull', True)), models.Q(('ends_at__isnull', False), ('starts_at__isnull', False)), _connector='OR'), name='scheduling_absence_hours_together', violation_error_message='starts_at and ends_at go together: fill in both or neither.')),
        migrations.AddConstraint('absence', models.CheckConstraint(condition=models.Q(('repeats_until__isnull', True), ('repeats_until__gte', models.F('last_on')), _connector='OR'), name='scheduling_absence_repeats_after_last')),
        migrations.AddConstraint('shift', models.UniqueConstraint(fields=('technician', 'from_on', 'weekday'), name='scheduling_shift_once_per_pattern')),
        migrations.AddConstraint('technician', models.CheckConstraint(condition=models.Q(('last_on__isnull', True), ('works_from__isnull', True), ('last_on__gte', models.F('works_from')), _connector='OR'), name='scheduling_technician_leaves_after_coming', violation_error_message='Nobody leaves before the first day.')),
        migrations.AddField('planprice', 'change', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='prices', to='scheduling.pricechange')),
        migrations.AddField('workorder', 'best_by_on', models.DateField(blank=True, help_text='From here on waiting costs more than it saves.', null=True)),
        migrations.AlterField('workorder', 'window_to', models.DateField(help_text='The limit: late is past it.')),
        migrations.AddConstraint('workorder', models.CheckConstraint(condition=models.Q(('best_by_on__isnull', True), models.Q(('best_by_on__gte', models.F('window_from')), ('best_by_on__lte', models.F('window_to'))), _connector='OR'), name='scheduling_workorder_best_by_in_window', violation_error_message='Best by lies inside the window.')),
        migrations.AddField('planpricelist', 'disturbance_minutes', models.FloatField(db_default=10, default=10)),
        migrations.AddField('planpricelist', 'waiting_week_minutes', models.FloatField(db_default=30, default=30)),
        migrations.AddConstraint('planpricelist', models.CheckConstraint(condition=models.Q(('disturbance_minutes__isnull', True), ('disturbance_minutes__gte', 0), _connector='OR'), name='scheduling_planpricelist_disturbance_minutes_not_negative', violation_error_message='disturbance_minutes must be 0 or more.')),
        migrations.AddConstraint('planpricelist', models.CheckConstraint(condition=models.Q(('waiting_week_minutes__isnull', True), ('waiting_week_minutes__gte', 0), _connector='OR'), name='scheduling_planpricelist_waiting_week_minutes_not_negative', violation_error_message='waiting_week_minutes must be 0 or more.')),
        migrations.AddConstraint('closeout', models.CheckConstraint(condition=models.Q(('not_done_because__in', ['', 'nobody_there', 'no_access', 'unit_not_found', 'wrong_part', 'leak_or_damage', 'unsafe', 'other'])), name='scheduling_closeout_not_done_because_known')),
    ]
