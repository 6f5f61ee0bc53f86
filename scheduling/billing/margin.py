"""What each site costs to serve and what is left of what it earns.

The rows behind what one site cost to serve, which add up to its line: close-outs, drives, parts.
"""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Final

import numpy as np
from django.db.models import Count, Exists, OuterRef, Q, QuerySet, Sum
from django.utils.translation import gettext

from fleet.models import Site
from scheduling.billing.bridge import to_money
from scheduling.models import CloseOut, CloseOutPart, EntryKind, RevenueEntry, Stop
from scheduling.money.recurring import drive_weights, split_groups
from scheduling.planning.travel import EARTH_RADIUS_M
from shared.money import split_cents, to_cents
from shared.periods import add_months, month_start

MONTHS: Final = 12
"""The period: so many whole months before this one, and this one so far."""
ZERO: Final = Decimal("0.00")


@dataclass(frozen=True)
class SiteMargin:
    """One site's year."""

    site_code: str
    site_name: str
    customer: str
    area: str
    revenue: Decimal
    labour_minutes: int
    labour: Decimal
    drive_minutes: float
    drive: Decimal
    parts: Decimal
    close_outs: int
    outside_plan: int
    """Close-outs charged by themselves, because no plan covered the work."""

    @property
    def cost(self) -> Decimal:
        """Labour, drive and parts together."""
        return self.labour + self.drive + self.parts

    @property
    def margin(self) -> Decimal:
        """What is left."""
        return self.revenue - self.cost

    @property
    def margin_share(self) -> float | None:
        """What is left of each unit of revenue; None without revenue."""
        return float(self.margin / self.revenue) if self.revenue else None


@dataclass(frozen=True)
class MarginReview:
    """Sites, the worst margin first, and their sums."""

    first_month: date
    last_month: date
    sites: list[SiteMargin]

    @property
    def total(self) -> SiteMargin:
        """All sites as one."""
        return SiteMargin(
            "", gettext("All sites"), "", "",
            sum((row.revenue for row in self.sites), ZERO),
            sum(row.labour_minutes for row in self.sites),
            sum((row.labour for row in self.sites), ZERO),
            sum(row.drive_minutes for row in self.sites),
            sum((row.drive for row in self.sites), ZERO),
            sum((row.parts for row in self.sites), ZERO),
            sum(row.close_outs for row in self.sites),
            sum(row.outside_plan for row in self.sites),
        )  # fmt: skip


@dataclass
class _Cost:
    labour_minutes: int = 0
    labour: Decimal = ZERO
    drive_minutes: float = 0.0
    drive: Decimal = ZERO
    parts: Decimal = ZERO
    close_outs: int = 0
    outside_plan: int = 0


def margin_review(*, today: date, branch_id: int | None) -> MarginReview:
    """Return every site that earned or cost something in the period. Five queries.

    Labour is minutes on site at the technician's rate. The drive of a route somebody closed a stop of is
    shared out over its stops by the way each would have been alone (``money.sharing``). Parts count at what
    they cost today.
    """
    last = month_start(today)
    first = add_months(last, -MONTHS)
    costs: dict[int, _Cost] = defaultdict(_Cost)
    _add_labour(costs, first, branch_id)
    _add_parts(costs, first, branch_id)
    _add_drive(costs, first)
    earned = _of_branch(RevenueEntry.objects.filter(month__gte=first, month__lte=last), "site", branch_id)
    revenue = dict(earned.values_list("site_id").annotate(total=Sum("amount")).order_by())
    wanted = set(costs) | set(revenue)
    sites = _of_branch(Site.objects.all(), "", branch_id)
    rows = [
        SiteMargin(code, name, customer, area, to_cents(revenue.get(pk, ZERO)), **vars(costs[pk]))
        for pk, code, name, customer, area in sites.values_list(
            "pk", "code", "name", "customer__name", "area"
        ).order_by("pk")
        if pk in wanted
    ]
    return MarginReview(first, last, sorted(rows, key=lambda row: row.margin))


def _of_branch(rows: QuerySet, site: str, branch_id: int | None) -> QuerySet:
    name = f"{site}__branch_id" if site else "branch_id"
    return rows.filter(**{name: branch_id}) if branch_id else rows


def _add_labour(costs: dict[int, _Cost], first: date, branch_id: int | None) -> None:
    done = CloseOut.objects.filter(undone_at__isnull=True, finished_at__date__gte=first)
    charged = RevenueEntry.objects.filter(close_out=OuterRef("pk"), kind=EntryKind.WORK)
    rows = (
        _of_branch(done, "order__site", branch_id)
        .annotate(is_charged=Exists(charged))
        .values_list("order__site_id", "technician__cost_per_hour")
        .annotate(minutes=Sum("minutes"), count=Count("pk"), outside=Count("pk", filter=Q(is_charged=True)))
        .order_by()
    )
    for site_id, rate, minutes, count, outside in rows:
        cost = costs[site_id]
        cost.labour_minutes += minutes
        cost.labour += to_cents(rate * minutes / 60)
        cost.close_outs += count
        cost.outside_plan += outside


def _add_parts(costs: dict[int, _Cost], first: date, branch_id: int | None) -> None:
    used = CloseOutPart.objects.filter(
        close_out__undone_at__isnull=True, close_out__finished_at__date__gte=first, installed__isnull=False
    )
    rows = (
        _of_branch(used, "close_out__order__site", branch_id)
        .values_list("close_out__order__site_id")
        .annotate(cost=Sum("installed__kind__cost"))
        .order_by()
    )
    for site_id, cost in rows:
        costs[site_id].parts += to_cents(Decimal(cost))


def _add_drive(costs: dict[int, _Cost], first: date) -> None:
    for share in drive_shares(first):
        cost = costs[share.site_id]
        cost.drive += to_money(share.cents)
        cost.drive_minutes += share.minutes


@dataclass(frozen=True)
class DriveShare:
    """What one stop answers for of its route's drive."""

    route_id: int
    site_id: int
    day: date
    technician: str
    minutes: float
    cents: int


def drive_shares(first: date, site_id: int | None = None) -> list[DriveShare]:
    """Share out the drive of routes in force from a day on that somebody closed a stop of. One query.

    With a site, only routes that stop there are read, and only its own shares returned.
    """
    driven = Exists(CloseOut.objects.filter(stop__route=OuterRef("route"), undone_at__isnull=True))
    stops = Stop.objects.filter(driven, route__is_in_force=True, route__day__gte=first)
    if site_id is not None:
        stops = stops.filter(route__in=Stop.objects.filter(site=site_id).values("route"))
    table = list(
        stops.order_by("route_id", "place").values_list(
            "route_id", "site_id", "route__drive_minutes", "route__technician__cost_per_hour",
            "route__technician__start_latitude", "route__technician__start_longitude",
            "site__latitude", "site__longitude", "route__day", "route__technician__name",
        )
    )  # fmt: skip
    if not table:
        return []
    _, first_row, route_row = np.unique([row[0] for row in table], return_index=True, return_inverse=True)
    minutes = np.array([table[i][2] for i in first_row])
    cents = np.array([int(to_cents(table[i][3] * table[i][2] / 60) * 100) for i in first_row], dtype=np.int64)
    weights = drive_weights(_way_km(np.array([row[4:8] for row in table], dtype=np.float64)), route_row)
    shares = split_groups(cents, route_row, weights)
    total = np.zeros(len(minutes))
    np.add.at(total, route_row, weights)
    share_minutes = minutes[route_row] * weights / total[route_row]
    return [
        DriveShare(row[0], row[1], row[8], row[9], part, share)
        for row, share, part in zip(table, shares.tolist(), share_minutes.tolist(), strict=True)
        if site_id is None or row[1] == site_id
    ]


def _way_km(degrees: np.ndarray) -> np.ndarray:
    """Return twice the great circle from start to site. Columns: latitudes and longitudes of both. [km]"""
    start_lat, start_lon, lat, lon = np.radians(degrees).T
    half = (
        np.sin((lat - start_lat) / 2) ** 2
        + np.cos(start_lat) * np.cos(lat) * np.sin((lon - start_lon) / 2) ** 2
    )
    return 2 * 2 * EARTH_RADIUS_M / 1000 * np.arcsin(np.sqrt(half))


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
