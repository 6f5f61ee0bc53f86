"""Changes of many plans' prices, each as one that may be taken back."""

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ("scheduling", "0019_calendar_by_hours_closures_and_holidays"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
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
            },
        ),
        migrations.AddField(
            model_name='planprice',
            name='change',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='prices', to='scheduling.pricechange'),
        ),
        migrations.AddConstraint(
            model_name='pricechange',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('amount__isnull', False), ('percent__isnull', True)), models.Q(('amount__isnull', True), ('percent__isnull', False)), _connector='OR'), name='scheduling_pricechange_percent_or_amount'),
        ),
    ]
