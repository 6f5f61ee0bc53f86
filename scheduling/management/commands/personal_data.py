"""``manage.py personal_data``: take out or erase what is kept about one person."""

import shutil
from pathlib import Path

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from scheduling.operations import personal_data as services
from scheduling.operations import personal_data_rows as queries
from scheduling.operations.personal_data_rows import take_out
from shared.errors import DomainError


class Command(BaseCommand):
    help = (
        "Take out (--to FILE) or erase (--erase) what is kept about one person; with neither, say what is "
        "kept and what erasing leaves."
    )

    def add_arguments(self, parser):
        parser.add_argument("kind", choices=[str(one) for one in queries.Kind])
        parser.add_argument("code", help="user name, technician's code or customer's number")
        parser.add_argument("--to", type=Path, help="the ZIP file to write; must not be there yet")
        parser.add_argument("--erase", action="store_true")
        parser.add_argument("--yes", action="store_true", help="erase without asking")

    def handle(self, *args, **options):
        try:
            subject = queries.find(options["kind"], options["code"])
            if options["to"]:
                self._take_out(subject, options["to"])
            if options["erase"]:
                self._erase(subject, options["yes"])
            elif not options["to"]:
                self._tell(subject)
        except (DomainError, OSError) as error:
            raise CommandError(str(error)) from error

    def _take_out(self, subject, path):
        with open(path, "xb") as out, take_out(subject, by=None, now=timezone.now()) as file:
            shutil.copyfileobj(file, out)
        path.chmod(0o600)
        self.stdout.write(f"{path}: everything kept about {subject.kind} {subject.code}.")

    def _erase(self, subject, is_sure):
        if not is_sure:
            self._tell(subject)
            if input(f"Type {subject.code} to erase: ").strip() != subject.code:
                raise CommandError("Nothing was erased.")
        erasure = services.erase(subject, by=None, now=timezone.now())
        self.stdout.write(f"“{erasure.mark}”: {erasure.told}.")

    def _tell(self, subject):
        for name, count in queries.counted(subject):
            self.stdout.write(f"{count:8}  {name}")
        self.stdout.write("Erasing leaves:")
        for what, why in (*services.STAYS[subject.kind], *services.STAYS_ANYHOW):
            self.stdout.write(f"  {what}: {why}.")
