"""``manage.py migrate``, safe while others work: on PostgreSQL no statement waits or runs without end."""

import time

from django.conf import settings
from django.core.management.base import CommandError
from django.core.management.commands.migrate import Command as Migrate
from django.db import OperationalError, connections

from fleet.assessment.stale_flags import sync_triggers


class Command(Migrate):
    """A step that waits for a table makes everybody behind it wait; so it gives up soon and tries again."""

    def handle(self, *args, **options):
        connection = connections[options["database"]]
        if connection.vendor != "postgresql":
            return self._migrate(connection, *args, **options)
        for tries_left in reversed(range(settings.MIGRATE_TRIES)):
            self._limit(connection, settings.MIGRATE_LOCK_SECONDS, settings.MIGRATE_STATEMENT_SECONDS)
            try:
                return self._migrate(connection, *args, **options)
            except OperationalError as error:
                if "lock timeout" not in str(error) and "statement timeout" not in str(error):
                    raise
                if not tries_left or "statement timeout" in str(error):
                    raise CommandError(self._told(error)) from error
                self.stderr.write("A table is held by traffic; trying again.")
                time.sleep(settings.MIGRATE_PAUSE_SECONDS)
            finally:
                self._limit(connection, 0, 0)
        return None

    def _migrate(self, connection, *args, **options):
        answer = super().handle(*args, **options)
        if not (options["plan"] or options["check_unapplied"]):
            sync_triggers(connection)
        return answer

    def _limit(self, connection, lock_s: int, statement_s: int) -> None:
        with connection.cursor() as cursor:
            cursor.execute(
                f"SET lock_timeout = '{int(lock_s)}s'; SET statement_timeout = '{int(statement_s)}s'"
            )

    def _told(self, error: OperationalError) -> str:
        if "lock timeout" in str(error):
            return (
                "A table is held by traffic. Nothing of that step was changed; run migrate again at a "
                "quieter time, or let it wait longer (TAPWARD_MIGRATE_LOCK_SECONDS)."
            )
        return (
            "A step took longer than it may. Nothing of that step was changed; let it take longer "
            "(TAPWARD_MIGRATE_STATEMENT_SECONDS) at a quiet time."
        )
