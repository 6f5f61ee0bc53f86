"""What a geocoder said of addresses, so that each is asked once."""

from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ("fleet", "0033_use_wanders"),
    ]

    operations = [
        migrations.CreateModel(
            name='GeocodedAddress',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('digest', models.CharField(help_text='SHA-256 of country and address.', max_length=64, unique=True)),
                ('asked_in_second', models.BigIntegerField(help_text='Of Unix time: one request a second.', unique=True)),
                ('is_answered', models.BooleanField(default=False)),
                ('latitude', models.FloatField(blank=True, null=True)),
                ('longitude', models.FloatField(blank=True, null=True)),
                ('accuracy_m', models.FloatField(blank=True, null=True)),
            ],
            options={
                'verbose_name_plural': 'geocoded addresses',
                'constraints': [models.CheckConstraint(condition=models.Q(('latitude__isnull', True), models.Q(('latitude__gte', -90), ('latitude__lte', 90)), _connector='OR'), name='fleet_geocodedaddress_latitude_on_earth', violation_error_message='latitude must be between -90 and 90.'), models.CheckConstraint(condition=models.Q(('longitude__isnull', True), models.Q(('longitude__gte', -180), ('longitude__lte', 180)), _connector='OR'), name='fleet_geocodedaddress_longitude_on_earth', violation_error_message='longitude must be between -180 and 180.'), models.CheckConstraint(condition=models.Q(('accuracy_m__isnull', True), ('accuracy_m__gte', 0), _connector='OR'), name='fleet_geocodedaddress_accuracy_not_negative', violation_error_message='accuracy_m must be 0 or more.')],
            },
        ),
    ]
