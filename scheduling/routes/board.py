"""What the planning pages show: the list of proposals, and one proposal as people × days."""

from dataclasses import dataclass
from datetime import date
from functools import cached_property

from django.db.models import Aggregate, Count, OuterRef, QuerySet, Subquery, Sum
from django.db.models.functions import Coalesce

from scheduling.models import Route, RouteProposal, Stop, Technician, UnplacedOrder
from scheduling.routes.selectors import route_rows
from shared.periods import days_from


@dataclass(frozen=True)
class BoardRow:
    """One person's days, each with its route or None."""

    technician: Technician
    cells: list[tuple[date, Route | None]]
    drive_minutes: int
    work_minutes: int


@dataclass
class Board:
    """One proposal."""

    row: RouteProposal
    days: list[date]
    routes: list[Route]
    unplaced: list[UnplacedOrder]

    @cached_property
    def people(self) -> list[BoardRow]:
        """Everybody with a route, by name."""
        by_person: dict[Technician, dict[date, Route]] = {}
        for route in self.routes:
            by_person.setdefault(route.technician, {})[route.day] = route
        return [
            BoardRow(
                technician=person,
                cells=[(day, by_day.get(day)) for day in self.days],
                drive_minutes=sum(route.drive_minutes for route in by_day.values()),
                work_minutes=sum(route.work_minutes for route in by_day.values()),
            )
            for person, by_day in sorted(by_person.items(), key=lambda item: (item[0].name, item[0].pk))
        ]

    @property
    def problems(self) -> list[dict]:
        """Inputs that could not be planned: what, message, remedy."""
        return [{"message": one} if isinstance(one, str) else one for one in self.row.problems]

    @property
    def stops(self) -> list[Stop]:
        """All stops."""
        return [stop for route in self.routes for stop in route.stops.all()]

    @property
    def placed(self) -> int:
        """How many orders it places."""
        return sum(len(stop.orders.all()) for stop in self.stops)

    @property
    def idle_days(self) -> set[date]:
        """Days on which nobody drives."""
        return set(self.days) - {route.day for route in self.routes}

    @property
    def due_left_out(self) -> int:
        """Orders left out although their window closes within these days."""
        return sum(left_out.is_due for left_out in self.unplaced)

    @property
    def later_left_out(self) -> int:
        """Orders left out that can wait."""
        return len(self.unplaced) - self.due_left_out

    @property
    def work_hours(self) -> str:
        """Hours on site, as shown."""
        return f"{sum(route.work_minutes for route in self.routes) / 60:.1f}"

    @property
    def second_visits(self) -> int | None:
        """Visits that come to a site again within 14 days; None for a plan made before they were counted."""
        return self.row.totals.get("second_visits")

    @property
    def grouping_saved_hours(self) -> str:
        """Hours that visits for several orders spare against a trip each, as shown; empty where none."""
        saved = self.row.totals.get("grouping_saved_min") or 0
        return f"{saved / 60:.1f}" if saved >= 6 else ""

    @property
    def drive_hours(self) -> str:
        """Hours driving, as shown."""
        return f"{sum(route.drive_minutes for route in self.routes) / 60:.1f}"


def proposals_of(branch_id: int | None) -> QuerySet[RouteProposal]:
    """Return the proposals of a branch, of all without one, newest first."""
    proposals = RouteProposal.objects.select_related("made_by", "branch")
    return proposals.filter(branch_id=branch_id) if branch_id else proposals


def proposal_rows(branch_id: int | None) -> list[RouteProposal]:
    """Return the proposals with what they hold, newest first. One query."""
    proposals = proposals_of(branch_id).annotate(
        stop_count=_total(Stop, "route__proposal", Count("pk")),
        unplaced_count=_total(UnplacedOrder, "proposal", Count("pk")),
        drive_minutes=_total(Route, "proposal", Sum("drive_minutes")),
        work_minutes=_total(Route, "proposal", Sum("work_minutes")),
        in_force_count=_total(Route.objects.filter(is_in_force=True), "proposal", Count("pk")),
    )
    # Grouping drops the order of the model.
    return list(proposals.order_by("-made_at", "-id"))


def _total(rows: type | QuerySet, path: str, total: Aggregate) -> Coalesce:
    rows = rows if isinstance(rows, QuerySet) else rows.objects.all()
    rows = rows.filter(**{path: OuterRef("pk")}).order_by().values(path)
    return Coalesce(Subquery(rows.annotate(total=total).values("total")), 0)


def board(pk: int, branch_id: int | None) -> Board | None:
    """Return a proposal as people × days, or None. Five queries, however many stops."""
    proposal = proposals_of(branch_id).filter(pk=pk).first()
    if proposal is None:
        return None
    unplaced = proposal.unplaced.select_related("order__site", "order__treatment_unit", "proposal")
    days = days_from(proposal.first_on, (proposal.last_on - proposal.first_on).days + 1)
    return Board(
        proposal, days, route_rows(proposal.routes.all()), list(unplaced.order_by("order__window_to", "id"))
    )
