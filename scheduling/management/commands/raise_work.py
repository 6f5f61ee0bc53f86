"""``manage.py raise_work``: the same service the timetable calls."""

import json

from django.core.management.base import BaseCommand
from django.utils import timezone

from scheduling.models import OrderKind, WorkOrder
from scheduling.orders import raising
from scheduling.routes import publishing


class Command(BaseCommand):
    help = (
        "Raise work orders from findings and plans, bring standing ones up to date, withdraw groundless ones."
    )

    def add_arguments(self, parser):
        parser.add_argument("--json", action="store_true", help="answer for programs")

    def handle(self, *args, **options):
        now = timezone.now()
        released = publishing.release_missed(now=now)
        report = raising.raise_work(now=now)
        standing = WorkOrder.objects.open().count()
        if options["json"]:
            answer = {
                "as_of": now.isoformat(), "raised": report.raised, "strengthened": report.strengthened,
                "withdrawn": report.withdrawn, "released": released, "standing": standing,
                "problems": report.problems,
            }  # fmt: skip
            self.stdout.write(json.dumps(answer))
            return
        self._tell(report, released, standing, now)

    def _tell(self, report, released, standing, now):
        told = ", ".join(f"{n} {OrderKind(kind).label.lower()}" for kind, n in sorted(report.raised.items()))
        self.stdout.write(
            f"Raised {report.raised_total} orders{f' ({told})' if told else ''}; "
            f"{report.strengthened} brought up to their finding, {report.withdrawn} withdrawn; "
            f"{standing} standing."
        )
        if released:
            self.stdout.write(f"{released} orders were opened again: their day went by without a visit.")
        for problem in report.problems:
            self.stdout.write(f"  ! {problem}")
        fresh = WorkOrder.objects.filter(raised_at=now).order_by("window_to", "-strength", "pk")
        for order in fresh.select_related("treatment_unit")[:10]:
            self.stdout.write(
                f"  {order} at {order.treatment_unit}, {order.window_from:%d %b} to {order.window_to:%d %b}, "
                f"{order.minutes} min: {order.why}"
            )
