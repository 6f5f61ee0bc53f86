"""A fresh install on PostgreSQL keeps readings in monthly partitions from its first day."""

from django.db import migrations
from django.utils import timezone

from fleet.database import partitions


def begin_in_partitions(apps, schema_editor):
    """Partition the tables of readings that are still empty. One with rows stays and is told of."""
    for table in partitions.TABLES:
        partitions.begin_in_partitions(table, timezone.now().date(), lambda text: print(f"\n    {text}"))


class Migration(migrations.Migration):

    dependencies = [
        ('fleet', '0011_nights_take_what_is_due'),
    ]

    # Back there is nothing to do: every release works on tables in partitions.
    operations = [migrations.RunPython(begin_in_partitions, migrations.RunPython.noop)]
