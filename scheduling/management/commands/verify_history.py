"""``manage.py verify_history``: prove that no row of history was altered or lost, here or in a backup."""

from pathlib import Path

from django.core.management.base import BaseCommand, CommandError

from fleet.database import history
from scheduling.operations import backups
from shared.errors import DomainError


class Command(BaseCommand):
    help = "Prove that no entry, invoice line, order event, closed month or rate was altered or lost."

    def add_arguments(self, parser):
        parser.add_argument("--backup", type=Path, metavar="FILE", help="look through a backup instead")
        parser.add_argument(
            "--expect", default="", metavar="HEAD", help="a head noted earlier, number:digest"
        )

    def handle(self, *args, **options):
        expected = options["expect"]
        try:
            if options["backup"]:
                with backups.opened(options["backup"]) as using:
                    proof = history.verify(expected=expected, using=using)
            else:
                proof = history.verify(expected=expected)
        except (DomainError, OSError) as error:
            raise CommandError(str(error)) from error
        for word, places in (("altered", proof.altered), ("lost", proof.lost)):
            for place in places[: history.MOST_TOLD]:
                self.stderr.write(f"{word}: {place}")
        told = f"{proof.seals:,} rows sealed, {proof.unsealed:,} not yet; head {proof.head or 'none'}"
        if not proof.is_whole:
            raise CommandError(
                f"History was changed: {len(proof.altered):,} altered, {len(proof.lost):,} lost ({told}). "
                "Compare with the newest backup that is whole."
            )
        self.stdout.write(f"Nothing was altered or lost: {told}.")
        self.stdout.write("Note the head where nobody here can change it, and give it as --expect next time.")
