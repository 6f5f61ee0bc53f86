"""``manage.py restore``: put a backup back, or only prove that it could be."""

from pathlib import Path

from django.core.management.base import BaseCommand, CommandError

from scheduling.operations import backups
from shared.errors import DomainError


class Command(BaseCommand):
    help = "Restore a backup made by back_up. Stop web servers and workers first."

    def add_arguments(self, parser):
        parser.add_argument("file", type=Path)
        how = parser.add_mutually_exclusive_group()
        how.add_argument("--check", action="store_true", help="only prove it in a scratch database")
        how.add_argument("--over", action="store_true", help="replace what is in the database now")

    def handle(self, *args, **options):
        try:
            if options["check"]:
                manifest = backups.check(options["file"])
            else:
                manifest = backups.restore(options["file"], over=options["over"])
        except (DomainError, OSError) as error:
            raise CommandError(str(error)) from error
        what = "would restore" if options["check"] else "restored"
        self.stdout.write(
            f"{what}: {manifest.rows} rows of {len(manifest.tables)} tables, {len(manifest.files)} photos, "
            f"made {manifest.made_at}; every table compared."
        )
        if not options["check"] and (missing := manifest.missing_migrations):
            self.stdout.write(f"It is of an older release: run manage.py migrate ({missing} to go).")
