"""What each site costs to serve, what is left of what it earns, and the rows behind: labour, drives, parts.

Days are those of each site, whatever clock the reader has.
"""

from collections import defaultdict
from dataclasses import dataclass, fields
from datetime import date, datetime, time
from decimal import Decimal
from functools import reduce
from operator import or_
from typing import Any, Final

import numpy as np
from django.db.models import Count, Exists, F, OuterRef, Q, QuerySet, Subquery, Sum
from django.utils.translation import gettext

from fleet.models import Part, Site
from scheduling.billing.bridge import to_money
from scheduling.models import CloseOut, CloseOutPart, EntryKind, RevenueEntry, Stop
from scheduling.money.recurring import drive_weights, split_groups
from scheduling.planning.travel import EARTH_RADIUS_M
from shared.money import split_cents, to_cents
from shared.periods import add_months, local_moment, month_start

MONTHS: Final = 12
"""The period: so many whole months before this one, and this one so far."""
ZERO: Final = Decimal("0.00")


@dataclass
class SiteMargin:
    """One site's year."""

    site_code: str = ""
    site_name: str = ""
    customer: str = ""
    area: str = ""
    revenue: Decimal = ZERO
    labour_minutes: int = 0
    labour: Decimal = ZERO
    drive_minutes: float = 0.0
    drive: Decimal = ZERO
    parts: Decimal = ZERO
    """Of those whose cost is known."""
    parts_put_in: int = 0
    parts_unknown: int = 0
    """Parts put in whose kind has no cost in the catalogue; they are in no sum."""
    close_outs: int = 0
    outside_plan: int = 0
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


SUMMED: Final = {field.name: field.default for field in fields(SiteMargin)[4:]}


@dataclass(frozen=True)
class MarginReview:
    """Sites, the worst margin first, and all of them as one."""

    first_month: date
    last_month: date
    sites: list[SiteMargin]
    total: SiteMargin


def margin_review(*, today: date, branch_id: int | None) -> MarginReview:
    """Return every site that earned or cost something in the period. Six queries.

    Labour is minutes on site at the technician's rate. The drive of a route somebody closed a stop of is
    shared out over its stops by the way each would have been alone (``money.recurring``). Parts put in count
    at what their kind costs today, wherever the change was recorded.
    """
    last = month_start(today)
    first = add_months(last, -MONTHS)
    here = Q(branch_id=branch_id) if branch_id else Q()
    rows: dict[int, SiteMargin] = defaultdict(SiteMargin)
    begins = _beginnings(first)
    labour = _done(begins).values_list("order__site_id", "technician__cost_per_hour").order_by()
    for site_id, rate, minutes, count, outside in labour.annotate(
        minutes=Sum("minutes"), count=Count("pk"), outside=Count("pk", filter=Q(is_outside_plan=True))
    ):
        row = rows[site_id]
        row.labour_minutes += minutes
        row.labour += to_cents(rate * minutes / 60)
        row.close_outs += count
        row.outside_plan += outside
    parts = _put_in(begins).values_list("treatment_unit__site_id").order_by()
    for site_id, cost, count, unknown in parts.annotate(
        cost=Sum("kind__cost"), count=Count("pk"), unknown=Count("pk", filter=Q(kind__cost=0))
    ):
        row = rows[site_id]
        row.parts, row.parts_put_in, row.parts_unknown = to_cents(cost), count, unknown
    for share in drive_shares(first):
        row = rows[share["site_id"]]
        row.drive += share["cost"]
        row.drive_minutes += share["minutes"]
    earned = RevenueEntry.objects.filter(month__range=(first, last)).values_list("site_id").order_by()
    for site_id, amount in earned.annotate(total=Sum("amount")):
        rows[site_id].revenue = to_cents(amount)
    sites = []
    names = Site.objects.filter(here).values_list("pk", "code", "name", "customer__name", "area")
    for pk, *words in names.order_by("pk"):
        if pk in rows:
            rows[pk].site_code, rows[pk].site_name, rows[pk].customer, rows[pk].area = words
            sites.append(rows[pk])
    sums: dict[str, Any] = {
        name: sum((getattr(row, name) for row in sites), zero) for name, zero in SUMMED.items()
    }
    return MarginReview(
        first, last, sorted(sites, key=lambda row: row.margin),
        SiteMargin(site_name=gettext("All sites"), **sums),
    )  # fmt: skip


def _beginnings(first: date) -> dict[str, datetime]:
    """Return the moment a day begins in each time zone in which there are sites. One query."""
    zones = Site.objects.order_by().values_list("time_zone", flat=True).distinct()
    return {zone: local_moment(first, time(0), zone) for zone in zones}


def _since(begins: dict[str, datetime], moment: str, site: str) -> Q:
    """Return the condition that a moment lies in the period at the row's own site."""
    here = (Q(**{f"{site}__time_zone": zone, f"{moment}__gte": at}) for zone, at in begins.items())
    return reduce(or_, here, Q(pk__in=[]))


def _done(begins: dict[str, datetime]) -> QuerySet[CloseOut]:
    """Return the close-outs of the period, with whether they were charged by themselves."""
    charged = RevenueEntry.objects.filter(close_out=OuterRef("pk"), kind=EntryKind.WORK)
    done = CloseOut.objects.filter(_since(begins, "finished_at", "order__site"), undone_at__isnull=True)
    return done.annotate(is_outside_plan=Exists(charged))


def _put_in(begins: dict[str, datetime]) -> QuerySet[Part]:
    """Return the parts put in within the period. One of no length was put in by a change taken back."""
    undone = CloseOutPart.objects.filter(installed=OuterRef("pk"), close_out__undone_at__isnull=False)
    put_in = Part.objects.filter(_since(begins, "installed_at", "treatment_unit__site"))
    return put_in.exclude(Q(removed_at__isnull=False) & Q(removed_at=F("installed_at"))).exclude(
        Exists(undone)
    )


def drive_shares(first: date, site_id: int | None = None) -> list[dict[str, Any]]:
    """Share out the drive of routes in force from a day on that somebody closed a stop of. One query.

    A share has ``route_id``, ``site_id``, ``day``, ``technician``, ``minutes`` and ``cost``. With a site,
    only routes that stop there are read, and only its own shares returned.
    """
    driven = Exists(CloseOut.objects.filter(stop__route=OuterRef("route"), undone_at__isnull=True))
    stops = Stop.objects.filter(driven, route__is_in_force=True, route__day__gte=first)
    if site_id is not None:
        stops = stops.filter(route__in=Stop.objects.filter(site=site_id).values("route"))
    table = list(
        stops.order_by("route_id", "place").values_list(
            "route_id", "site_id", "route__day", "route__technician__name",
            "route__technician__start_latitude", "route__technician__start_longitude",
            "site__latitude", "site__longitude", "route__drive_minutes", "route__technician__cost_per_hour",
        )
    )  # fmt: skip
    if not table:
        return []
    _, first_row, route_row = np.unique([row[0] for row in table], return_index=True, return_inverse=True)
    minutes = np.array([table[i][8] for i in first_row])
    cents = np.array([int(to_cents(table[i][9] * table[i][8] / 60) * 100) for i in first_row], dtype=np.int64)
    weights = drive_weights(_way_km(np.array([row[4:8] for row in table], dtype=np.float64)), route_row)
    shares = split_groups(cents, route_row, weights)
    total = np.zeros(len(minutes))
    np.add.at(total, route_row, weights)
    share_minutes = minutes[route_row] * weights / total[route_row]
    return [
        {**dict(zip(("route_id", "site_id", "day", "technician"), row[:4], strict=True)),
         "minutes": part, "cost": to_money(share)}
        for row, share, part in zip(table, shares.tolist(), share_minutes.tolist(), strict=True)
        if site_id is None or row[1] == site_id
    ]  # fmt: skip


def _way_km(degrees: np.ndarray) -> np.ndarray:
    """Return twice the great circle from start to site. Columns: latitudes and longitudes of both. [km]"""
    start_lat, start_lon, lat, lon = np.radians(degrees).T
    half = (
        np.sin((lat - start_lat) / 2) ** 2
        + np.cos(start_lat) * np.cos(lat) * np.sin((lon - start_lon) / 2) ** 2
    )
    return 2 * 2 * EARTH_RADIUS_M / 1000 * np.arcsin(np.sqrt(half))


@dataclass(frozen=True)
class SiteCosts:
    """The rows behind a site's cost; they add up to its line."""

    first_month: date
    labour: list[CloseOut]
    """With ``cost`` and ``is_outside_plan``."""
    drive: list[dict[str, Any]]
    parts: list[Part]
    """With ``order_id``, if put in at a close-out, and ``cost``; None where the catalogue has none."""

    @property
    def sums(self) -> list[tuple[str, Decimal]]:
        """Return what each kind of cost comes to."""
        return [
            (gettext("Labour"), sum((row.cost for row in self.labour), ZERO)),
            (gettext("Drive"), sum((row["cost"] for row in self.drive), ZERO)),
            (gettext("Parts"), sum((row.cost or ZERO for row in self.parts), ZERO)),
        ]

    @property
    def total(self) -> Decimal:
        """All of it."""
        return sum((amount for _, amount in self.sums), ZERO)

    @property
    def parts_unknown(self) -> int:
        """How many parts put in have no known cost."""
        return sum(row.cost is None for row in self.parts)


def site_costs(site: Site, *, today: date) -> SiteCosts:
    """Return the rows behind a site's cost in the period of the margin review. Three queries."""
    first = add_months(month_start(today), -MONTHS)
    begins = {site.time_zone: local_moment(first, time(0), site.time_zone)}
    labour = list(
        _done(begins).filter(order__site=site).select_related("order", "technician")
        .order_by("-finished_at", "-pk")
    )  # fmt: skip
    by_rate: dict[Decimal, list[CloseOut]] = defaultdict(list)
    for row in labour:
        by_rate[row.technician.cost_per_hour].append(row)
    # Of each rate the minutes together are rounded, as in the site's line, then split.
    for rate, of_rate in by_rate.items():
        minutes = sum(row.minutes for row in of_rate)
        weights = [Decimal(row.minutes) for row in of_rate]
        pieces = split_cents(to_cents(rate * minutes / 60), weights) if minutes else [ZERO] * len(of_rate)
        for row, piece in zip(of_rate, pieces, strict=True):
            row.cost = piece
    order = CloseOutPart.objects.filter(installed=OuterRef("pk")).values("close_out__order_id")
    parts = list(
        _put_in(begins).filter(treatment_unit__site=site).annotate(order_id=Subquery(order[:1]))
        .select_related("kind", "treatment_unit").order_by("-installed_at", "pk")
    )  # fmt: skip
    for part in parts:
        part.cost = part.kind.cost or None
    drive = sorted(drive_shares(first, site.pk), key=lambda row: (row["day"], row["route_id"]), reverse=True)
    return SiteCosts(first, labour, drive, parts)
