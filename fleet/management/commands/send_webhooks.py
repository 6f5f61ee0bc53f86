"""``manage.py send_webhooks``: delivers what waits; without workers, ``--every 15`` keeps on."""

import time

from django.core.management.base import BaseCommand
from django.utils import timezone

from fleet.webhooks.outbox import send_due


class Command(BaseCommand):
    help = "Tell other programs what waits in the outbox. With --every it goes on until stopped."

    def add_arguments(self, parser):
        parser.add_argument("--every", type=float, default=0, metavar="SECONDS")

    def handle(self, *args, **options):
        while True:
            taken, failed = send_due(timezone.now)
            if taken or failed or not options["every"]:
                self.stdout.write(f"{taken} delivered, {failed} to be tried again.")
            if not options["every"]:
                return
            time.sleep(max(1.0, options["every"]))
