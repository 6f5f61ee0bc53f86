"""``manage.py nightly``: what the timetable does, for machines that run no worker and no beat."""

import json

from django.conf import settings
from django.core.management.base import BaseCommand
from django.utils import timezone

from fleet.runs import task_runs
from scheduling.operations.jobs import bring_up_to_date


class Command(BaseCommand):
    help = (
        "Assess the fleet, raise work, enter revenue, once each. Call it from cron where nothing else does."
    )

    def add_arguments(self, parser):
        parser.add_argument("--json", action="store_true", help="answer for programs")

    def handle(self, *args, **options):
        done = self._watched(None if options["json"] else self._progress)
        if options["json"]:
            self.stdout.write(
                json.dumps(
                    {
                        **done.run.counts,
                        "raised": done.raised.raised_total,
                        "strengthened": done.raised.strengthened,
                        "withdrawn": done.raised.withdrawn,
                    }
                )
            )
            return
        counts = done.run.counts
        self.stdout.write(
            f"Assessed {counts.get('units', 0)} treatment units ({counts.get('found', 0)} new findings, "
            f"{counts.get('gone', 0)} gone); raised {done.raised.raised_total} work orders, strengthened "
            f"{done.raised.strengthened}, withdrew {done.raised.withdrawn}; revenue is entered."
        )

    def _watched(self, on_progress):
        """Do the work and write down how it went, for the page of operations."""
        now = timezone.now()
        run = task_runs.begin(name="nightly", task_id="", request_id="", now=now)
        try:
            done = bring_up_to_date(
                now=now, zone=settings.TIME_ZONE, shard_size=settings.SHARD_SIZE, on_progress=on_progress
            )
        except BaseException as error:
            task_runs.end(run, now=timezone.now(), error=error)
            raise
        task_runs.end(run, now=timezone.now())
        return done

    def _progress(self, done: int, total: int) -> None:
        self.stderr.write(f"  shard {done} of {total} done")
