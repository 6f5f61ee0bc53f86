"""``manage.py partition_readings``: readings in monthly partitions, on PostgreSQL, while others work."""

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.db import OperationalError
from django.utils import timezone

from fleet.database import partitions
from shared.errors import CannotDo


class Command(BaseCommand):
    help = (
        "Move readings into monthly partitions beside the work going on. Needs as much room again. "
        "Run it as the owner of the tables; one that was cut off goes on when run again."
    )

    def handle(self, *args, **options):
        for table in partitions.TABLES:
            try:
                partitions.partition(
                    table,
                    timezone.localdate(),
                    lock_s=settings.MIGRATE_LOCK_SECONDS,
                    tell=self.stdout.write,
                )
            except CannotDo as error:
                raise CommandError(str(error)) from error
            except OperationalError as error:
                if "lock timeout" not in str(error):
                    raise
                raise CommandError(
                    f"{table} is held by traffic; what was copied stays. Run this again at a quieter time."
                ) from error
