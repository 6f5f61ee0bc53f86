"""``manage.py demo``: an invented company, from spreadsheet to revenue, then its pages on localhost."""

import time
from collections import Counter
from pathlib import Path

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.db import connection
from django.utils import timezone

from fleet.models import Finding, FindingKind, PatternName, ReadinessState, Site, UnitState
from scheduling.demo.story import tell
from scheduling.models import RevenueEntry, WorkOrder
from shared.errors import DomainError


class Command(BaseCommand):
    help = "Make an invented company's fleet, run the whole line once, show what came of it, serve the pages."

    def add_arguments(self, parser):
        parser.add_argument("--no-serve", action="store_true", help="stop after the summary")
        parser.add_argument("--port", type=int, default=8000, help="where to serve (default 8000)")
        parser.add_argument("--plan-seconds", type=float, default=8, help="time for planning the week")

    def handle(self, *args, **options):
        began = time.monotonic()
        self._begin_clean()
        try:
            came = tell(timezone.now(), self._say, options["plan_seconds"])
        except DomainError as error:
            raise CommandError(str(error)) from error
        self._summary(came, time.monotonic() - began)
        if not options["no_serve"]:
            self.stdout.write(f"\nServing http://localhost:{options['port']}/ — stop with Ctrl-C.")
            call_command("runserver", f"127.0.0.1:{options['port']}", use_reloader=False)

    def _say(self, text: str) -> None:
        self.stderr.write(f"  {text}")

    def _begin_clean(self) -> None:
        """Throw the last demo away. Never a database that could be somebody's own."""
        if settings.IS_EMBEDDED:
            path = Path(settings.DATABASES["default"]["NAME"])
            if path.parent.name != "demo":
                raise CommandError(
                    f"{path} does not look like a demo database. "
                    "Unset TAPWARD_DATA_DIR, or let it end in /demo."
                )
            connection.close()
            for suffix in ("", "-wal", "-shm"):
                Path(f"{path}{suffix}").unlink(missing_ok=True)
        call_command("migrate", verbosity=0)
        if Site.objects.exists():
            raise CommandError(
                "This database holds sites already. Give the demo an empty database of its own."
            )

    def _summary(self, came: dict, seconds: float) -> None:
        counts = came["run"].counts
        findings = Counter(Finding.objects.filter(gone_at__isnull=True).values_list("kind", flat=True))
        readiness = Counter(UnitState.objects.values_list("readiness", flat=True))
        patterns = Counter(
            UnitState.objects.filter(is_decaying=True).exclude(pattern="").values_list("pattern", flat=True)
        )
        orders = WorkOrder.objects
        proposal = came["proposal"]
        placed = orders.filter(stops__stop__route__proposal=proposal).distinct().count()
        earned = sum(RevenueEntry.objects.values_list("amount", flat=True))
        write = self.stdout.write
        write(f"\n{settings.COMPANY_NAME} — everything here is invented. Took {seconds:.0f} s.")
        write(
            f"Fleet      {counts['units']} treatment units, {Site.objects.count()} sites, "
            f"{counts['parts']} parts in place, {len(came['sheets']['meter_readings'])} meter readings"
        )
        told = ", ".join(f"{findings[k.value]} {k.label.lower()}" for k in FindingKind if findings[k.value])
        write(f"Findings   {told}")
        told = ", ".join(f"{n} {ReadinessState(s).label.lower()}" for s, n in readiness.most_common())
        write(f"Readiness  {told}")
        told = ", ".join(f"{n} {PatternName(p).label.lower()}" for p, n in patterns.most_common())
        write(f"Decay      {told or 'none'}")
        for kind in FindingKind:
            worst = (
                Finding.objects.filter(kind=kind, gone_at__isnull=True).order_by("-strength", "id").first()
            )
            if worst:
                write(f"  e.g.     {worst.treatment_unit.serial}: {worst.why}")
        learned = [kind for kind in came["learned"] if kind.learned_gal is not None]
        write(f"Learned    life of {len(learned)} of {len(came['learned'])} kinds of part from removals")
        write(f"Orders     {orders.open().count()} open, {orders.filter(state='done').count()} done")
        write(
            f"Routes     {proposal.routes.count()} technician-days from {proposal.first_on}, {placed} orders "
            f"placed, {proposal.unplaced.count()} left out with a reason each"
        )
        for text in came["closed"]:
            write(f"Closed     {text}")
        write(f"Revenue    {earned:,.2f} {settings.CURRENCY} in {RevenueEntry.objects.count()} entries")
        write("Log in as")
        for title, user_name, password in came["people"]:
            write(f"  {title:<11}{user_name:<12}{password}")
        if settings.IS_EMBEDDED:
            write(f"Commands on this data: TAPWARD_DATA_DIR={settings.DATA_DIR} manage.py …")
