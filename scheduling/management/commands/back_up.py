"""``manage.py back_up``: one file with everything, proved by restoring it."""

from pathlib import Path

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from fleet.runs import task_runs
from scheduling.operations import backups
from shared.errors import DomainError


class Command(BaseCommand):
    help = "Write database and photos into one file below FOLDER, while everybody works on."

    def add_arguments(self, parser):
        parser.add_argument("folder", type=Path)
        parser.add_argument("--quick", action="store_true", help="leave the proof by restoring out")

    def handle(self, *args, **options):
        began = timezone.now()
        try:
            path, manifest = backups.back_up(options["folder"], now=began, prove=not options["quick"])
        except (DomainError, OSError) as error:
            self._record(began, error)
            raise CommandError(str(error)) from error
        self._record(began, None)
        proved = "not proved" if options["quick"] else "restored and compared, table by table"
        self.stdout.write(
            f"{path}: {manifest.rows} rows of {len(manifest.tables)} tables, {len(manifest.files)} photos; "
            f"{proved}."
        )

    def _record(self, began, error):
        # Afterwards, so that the backup does not hold a task that seems cut off.
        run = task_runs.begin(name="back_up", task_id="", request_id="", now=began)
        task_runs.end(run, now=timezone.now(), error=error)
