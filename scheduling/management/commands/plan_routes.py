"""``manage.py plan_routes``: propose routes for some days, and publish them when asked to."""

import json
from collections import Counter
from datetime import date

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from fleet.models import Branch
from scheduling.routes import proposals, publishing
from shared.errors import DomainError

METRES_PER_MILE = 1609.344


class Command(BaseCommand):
    help = "Plan the open work orders onto technicians' days, and say why."

    def add_arguments(self, parser):
        parser.add_argument("--from", dest="first_on", type=_day, required=True, metavar="DATE")
        parser.add_argument("--days", type=int, default=5, help="how many days (default 5)")
        parser.add_argument("--branch", metavar="CODE", help="only this branch")
        parser.add_argument("--seconds", type=float, default=20, help="time for the search (default 20)")
        parser.add_argument("--seed", type=int, default=1)
        parser.add_argument("--publish", action="store_true", help="put the routes in force at once")
        parser.add_argument("--json", action="store_true", help="answer for programs")

    def handle(self, *args, **options):
        now = timezone.now()
        try:
            publishing.release_missed(now=now)
            proposal = proposals.propose(
                first_on=options["first_on"],
                days=options["days"],
                branch=self._branch(options["branch"]),
                seconds=options["seconds"],
                seed=options["seed"],
                now=now,
                on_progress=None if options["json"] else self._progress,
            )
            if options["publish"]:
                proposal = publishing.publish(proposal, by=None, now=timezone.now())
        except DomainError as error:
            raise CommandError(str(error)) from error
        if options["json"]:
            self.stdout.write(json.dumps(as_data(proposal)))
        else:
            self._tell(proposal)

    def _branch(self, code: str | None) -> Branch | None:
        if code is None:
            return None
        branch = Branch.objects.filter(code=code).first()
        if branch is None:
            known = ", ".join(Branch.objects.values_list("code", flat=True)) or "none yet"
            raise DomainError(f"There is no branch {code!r}.", remedy=f"Known: {known}.")
        return branch

    def _progress(self, share: float, words: str) -> None:
        self.stderr.write(f"  {share:4.0%} {words}")

    def _tell(self, proposal) -> None:
        write = self.stdout.write
        totals = proposal.totals
        miles = totals["distance_m"] / METRES_PER_MILE
        write(
            f"Proposal {proposal.pk}, {proposal.first_on} to {proposal.last_on}, "
            f"{proposal.get_state_display().lower()}: {totals['placed']} orders in "
            f"{totals['visits']} visits, {totals['unplaced']} left out, {totals['late_jobs']} late; "
            f"{totals['drive_s'] / 3600:.1f} h driving, {miles:.0f} mi; "
            f"times {proposal.travel_source}."
        )
        for route in proposal.routes.select_related("technician"):
            stops = route.stops.select_related("site").prefetch_related("orders__order")
            write(
                f"{route.day:%a %d %b} {route.technician}: {len(stops)} stops, "
                f"{route.drive_minutes} min driving"
            )
            for stop in stops:
                numbers = ", ".join(str(link.order) for link in stop.orders.all())
                write(f"  {stop.place}. {stop.site}: {numbers}. {stop.why}")
        reasons = Counter(proposal.unplaced.values_list("reason", flat=True))
        for reason, number in reasons.most_common():
            first = proposal.unplaced.filter(reason=reason).select_related("order").first()
            write(f"Left out, {reason}: {number}, e.g. {first.order}: {first.text}")
        for problem in proposal.problems:
            write(f"! {problem['what']}: {problem['message']} {problem['remedy']}")


def _day(text: str) -> date:
    return date.fromisoformat(text)


def as_data(proposal) -> dict:
    """Return a proposal as plain data."""
    return {
        "proposal": proposal.pk,
        "state": proposal.state,
        "first_on": proposal.first_on.isoformat(),
        "last_on": proposal.last_on.isoformat(),
        "totals": proposal.totals,
        "travel_source": proposal.travel_source,
        "problems": proposal.problems,
        "routes": [
            {
                "technician": route.technician.code,
                "day": route.day.isoformat(),
                "leaves_at": route.leaves_at.isoformat(),
                "returns_at": route.returns_at.isoformat(),
                "stops": [
                    {
                        "site": stop.site.code,
                        "arrives_at": stop.arrives_at.isoformat(),
                        "leaves_at": stop.leaves_at.isoformat(),
                        "orders": [link.order_id for link in stop.orders.all()],
                        "why": stop.why,
                    }
                    for stop in route.stops.select_related("site").prefetch_related("orders")
                ],
            }
            for route in proposal.routes.select_related("technician")
        ],
        "unplaced": [
            {"order": one.order_id, "reason": one.reason, "text": one.text} for one in proposal.unplaced.all()
        ],
    }
