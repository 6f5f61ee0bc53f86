"""Does nothing any more. It once put empty tables of readings into months; those that are work on as they are."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("fleet", "0011_nights_take_what_is_due")]

    operations = []
