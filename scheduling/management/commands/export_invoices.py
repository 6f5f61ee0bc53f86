"""``manage.py export_invoices``: write a hand-over to the books as a file; the same batch, the same file."""

import sys
from pathlib import Path

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from scheduling.billing.invoice_views import COLUMNS, csv_text
from scheduling.billing.invoicing import end_month
from scheduling.models import InvoiceBatch
from scheduling.pages.forms import month_of
from shared.errors import DomainError


class Command(BaseCommand):
    help = (
        "Write a batch of invoice lines as CSV. With --end-month, close that month and make the batch first."
    )

    def add_arguments(self, parser):
        parser.add_argument("--batch", type=int, help="number of the batch; without it the newest")
        parser.add_argument("--end-month", metavar="YYYY-MM", help="close this month and hand it over first")
        parser.add_argument("--out", help="file to write; without it standard output")
        parser.add_argument("--columns", action="store_true", help="tell what each column holds, and stop")

    def handle(self, *args, **options):
        if options["columns"]:
            for name, meaning in COLUMNS.items():
                self.stdout.write(f"{name:<14}{meaning}")
            return
        batch = self._batch(options)
        text = csv_text(batch)
        if options["out"]:
            Path(options["out"]).write_text(text, encoding="utf-8", newline="")
            self.stderr.write(f"{batch}: {batch.lines.count()} lines in {options['out']}")
        else:
            sys.stdout.write(text)

    def _batch(self, options: dict) -> InvoiceBatch:
        if options["end_month"]:
            month = month_of(options["end_month"])
            if month is None:
                raise CommandError(f"{options['end_month']!r} is no month. Write it as YYYY-MM.")
            try:
                ended = end_month(month, currency=settings.CURRENCY, by=None, now=timezone.now())
            except DomainError as error:
                raise CommandError(str(error)) from error
            if ended.batch is not None:
                return ended.batch
        batches = InvoiceBatch.objects.order_by("-pk")
        if options["batch"]:
            batches = batches.filter(pk=options["batch"])
        batch = batches.first()
        if batch is None:
            raise CommandError("There is no such batch. Make one with --end-month YYYY-MM.")
        return batch
