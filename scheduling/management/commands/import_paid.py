"""``manage.py import_paid``: take from the books which invoice lines were paid."""

from pathlib import Path

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from scheduling.billing.payments import PAID_LINES, read_paid
from shared.errors import DomainError


class Command(BaseCommand):
    help = "Mark invoice lines as paid from a CSV of the books. Nothing is written while any row is wrong."

    def add_arguments(self, parser):
        parser.add_argument("file", nargs="?", help="CSV (UTF-8) or .xlsx")
        parser.add_argument("--columns", action="store_true", help="tell what each column holds, and stop")

    def handle(self, *args, **options):
        if options["columns"]:
            for column in PAID_LINES.columns:
                needed = "required" if column.is_required else "may stay blank"
                self.stdout.write(f"{column.name:<11}{needed:<16}{column.what}")
            return
        if not options["file"]:
            raise CommandError("Name a file, or --columns for what it holds.")
        try:
            report = read_paid(Path(options["file"]), by=None, now=timezone.now())
        except DomainError as error:
            raise CommandError(str(error)) from error
        for problem in report.problems:
            self.stderr.write(f"  {problem}")
        if report.problems:
            raise CommandError(f"Nothing was written: {len(report.problems)} problems in {report.rows} rows.")
        self.stdout.write(f"{report.rows} rows: {report.paid} paid, {report.unchanged} unchanged.")
