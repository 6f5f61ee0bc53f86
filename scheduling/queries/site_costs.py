"""The rows behind what one site cost to serve, which add up to its line: close-outs, drives, parts."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from django.db.models import Exists, OuterRef
from django.utils.translation import gettext

from fleet.models import Site
from scheduling.models import CloseOut, CloseOutPart, EntryKind, RevenueEntry
from scheduling.queries.bridge import to_money
from scheduling.queries.cost_to_serve import MONTHS, ZERO, drive_shares
from shared.money import split_cents, to_cents
from shared.periods import add_months, month_start


@dataclass(frozen=True)
class LabourRow:
    """One close-out."""

    order_id: int
    finished_at: datetime
    what: str
    technician: str
    minutes: int
    cost: Decimal
    is_outside_plan: bool


@dataclass(frozen=True)
class DriveRow:
    """One stop's share of its route's drive."""

    route_id: int
    day: date
    technician: str
    minutes: float
    cost: Decimal


@dataclass(frozen=True)
class PartRow:
    """One part put in."""

    order_id: int
    finished_at: datetime
    serial: str
    code: str
    name: str
    cost: Decimal


@dataclass(frozen=True)
class SiteCosts:
    """The page."""

    first_month: date
    labour: list[LabourRow]
    drive: list[DriveRow]
    parts: list[PartRow]

    @property
    def sums(self) -> list[tuple[str, Decimal]]:
        """Return what each kind of cost comes to."""
        kinds = {gettext("Labour"): self.labour, gettext("Drive"): self.drive, gettext("Parts"): self.parts}
        return [(word, sum((row.cost for row in rows), ZERO)) for word, rows in kinds.items()]

    @property
    def total(self) -> Decimal:
        """All of it."""
        return sum((amount for _, amount in self.sums), ZERO)


def site_costs(site: Site, *, today: date) -> SiteCosts:
    """Return the rows behind a site's cost in the period of the margin review. Three queries."""
    first = add_months(month_start(today), -MONTHS)
    return SiteCosts(first, _labour(site, first), _drive(site, first), _parts(site, first))


def _labour(site: Site, first: date) -> list[LabourRow]:
    charged = RevenueEntry.objects.filter(close_out=OuterRef("pk"), kind=EntryKind.WORK)
    rows = list(
        CloseOut.objects.filter(order__site=site, undone_at__isnull=True, finished_at__date__gte=first)
        .annotate(is_charged=Exists(charged))
        .select_related("order", "technician")
        .order_by("-finished_at", "-pk")
    )
    costs = _labour_costs(rows)
    return [
        LabourRow(
            row.order_id, row.finished_at, row.order.get_kind_display(), row.technician.name, row.minutes,
            costs[row.pk], row.is_charged,
        )
        for row in rows
    ]  # fmt: skip


def _labour_costs(rows: list[CloseOut]) -> dict[int, Decimal]:
    """Return each close-out's cost: of each rate the minutes together are rounded, then split."""
    by_rate: dict[Decimal, list[CloseOut]] = defaultdict(list)
    for row in rows:
        by_rate[row.technician.cost_per_hour].append(row)
    costs: dict[int, Decimal] = {}
    for rate, some in by_rate.items():
        minutes = sum(row.minutes for row in some)
        weights = [Decimal(row.minutes) for row in some]
        pieces = split_cents(to_cents(rate * minutes / 60), weights) if minutes else [ZERO] * len(some)
        costs |= {row.pk: piece for row, piece in zip(some, pieces, strict=True)}
    return costs


def _drive(site: Site, first: date) -> list[DriveRow]:
    rows = [
        DriveRow(one.route_id, one.day, one.technician, one.minutes, to_money(one.cents))
        for one in drive_shares(first, site.pk)
    ]
    return sorted(rows, key=lambda row: (row.day, row.route_id), reverse=True)


def _parts(site: Site, first: date) -> list[PartRow]:
    rows = CloseOutPart.objects.filter(
        close_out__order__site=site, close_out__undone_at__isnull=True,
        close_out__finished_at__date__gte=first, installed__isnull=False,
    ).order_by("-close_out__finished_at", "pk")  # fmt: skip
    return [
        PartRow(*row)
        for row in rows.values_list(
            "close_out__order_id", "close_out__finished_at", "installed__treatment_unit__serial",
            "installed__kind__code", "installed__kind__name", "installed__kind__cost",
        )
    ]  # fmt: skip
