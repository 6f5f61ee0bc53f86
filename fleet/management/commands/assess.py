"""``manage.py assess``: the same service the nightly task calls."""

import json
from dataclasses import asdict

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from fleet.assessment import runs
from fleet.assessment.explain import explain_unit
from fleet.models import Finding
from shared.errors import DomainError


class Command(BaseCommand):
    help = "Assess every treatment unit: use, wear, due dates, performance, readiness."

    def add_arguments(self, parser):
        parser.add_argument("--explain", metavar="SERIAL", help="show how each figure of one unit came about")
        parser.add_argument(
            "--only-stale", action="store_true", help="only those of which something was recorded since"
        )
        parser.add_argument("--json", action="store_true", help="answer for programs")

    def handle(self, *args, **options):
        if options["explain"]:
            try:
                self.stdout.write(explain_unit(options["explain"], timezone.now(), as_json=options["json"]))
            except DomainError as error:
                raise CommandError(str(error)) from error
            return
        now = timezone.now()
        if options["only_stale"]:
            told: dict = {}
            counts = asdict(runs.assess_stale(now, settings.SHARD_SIZE))
        else:
            on_progress = None if options["json"] else self._progress
            run = runs.assess_fleet(now, settings.SHARD_SIZE, on_progress)
            told, counts = {"run": run.pk}, run.counts
        if options["json"]:
            self.stdout.write(json.dumps({**told, "as_of": now.isoformat(), **counts}))
            return
        standing = Finding.objects.filter(gone_at__isnull=True)
        self.stdout.write(
            f"Assessed {counts.get('units', 0)} treatment units with {counts.get('parts', 0)} parts: "
            f"{counts.get('found', 0)} new findings, {counts.get('changed', 0)} changed, "
            f"{counts.get('gone', 0)} gone."
        )
        for finding in standing.order_by("-strength")[:10]:
            self.stdout.write(f"  {finding.get_kind_display()}: {finding.why}")

    def _progress(self, done: int, total: int) -> None:
        self.stderr.write(f"  shard {done} of {total} done")
