"""What the page of one site shows."""

from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from django.utils.dates import WEEKDAYS
from django.utils.translation import gettext

from fleet.corrections.selectors import attach_corrections
from fleet.models import Corrected, FeedTest, FormerCustomer, Site, TreatmentUnit, UnitStay
from scheduling.models import AccessHours, CloseOut, PlanPrice, ServicePlan, SiteClosure, Stop, WorkOrder
from scheduling.overview.fleet_list import rows_of
from scheduling.overview.treatment_unit import feed_test_lines


@dataclass(frozen=True)
class SitePage:
    """The whole page."""

    site: Site
    units: list[dict]
    plans: list[ServicePlan]
    """With ``amount``, the price of today, and ``is_over``."""
    tests: list[FeedTest]
    hours: list[tuple[str, str]]
    closures: list[SiteClosure]
    """Those not over."""
    visits: list[CloseOut]
    coming: list[tuple[datetime, str]]
    orders: list[WorkOrder]
    former_units: list[tuple[TreatmentUnit, date]]
    """Units that stood here, and the first day they did no more."""
    former_customers: list[FormerCustomer]


def site_page(code: str, *, branch_id: int | None, now: datetime, today: date) -> SitePage | None:
    """Return a site's page, None when there is none for this person. Fourteen queries."""
    sites = Site.objects.select_related("customer", "branch", "supply", "place")
    if branch_id:
        sites = sites.filter(branch_id=branch_id)
    site = sites.filter(code=code).first()
    if site is None:
        return None
    tests = feed_test_lines(site)
    attach_corrections({Corrected.FEED_TEST: tests})
    unit_ids = list(
        TreatmentUnit.objects.filter(site=site, retired_on__isnull=True)
        .order_by("serial")
        .values_list("id", flat=True)
    )
    return SitePage(
        site=site,
        units=rows_of(unit_ids),
        plans=_plans(site, today),
        tests=tests,
        hours=_hours(site),
        closures=list(site.closures.filter(last_on__gte=today)),
        visits=list(
            CloseOut.objects.filter(order__site=site).select_related("order__treatment_unit", "technician")[
                :20
            ]
        ),
        coming=[
            (stop.starts_at, stop.route.technician.name)
            for stop in Stop.objects.filter(site=site, route__is_in_force=True, starts_at__gte=now)
            .select_related("route__technician")
            .order_by("starts_at")[:5]
        ],
        orders=list(
            WorkOrder.objects.open().filter(site=site).select_related("treatment_unit").order_by("window_to")
        ),
        former_units=_former_units(site),
        former_customers=list(site.former_customers.select_related("customer")),
    )


def _former_units(site: Site) -> list[tuple[TreatmentUnit, date]]:
    stays = UnitStay.objects.filter(site=site).select_related("treatment_unit")
    gone = [(one.treatment_unit, one.until_on) for one in stays]
    retired = TreatmentUnit.objects.filter(site=site, retired_on__isnull=False)
    return sorted([*gone, *((unit, unit.retired_on) for unit in retired)], key=lambda one: one[1])


def _plans(site: Site, today: date) -> list[ServicePlan]:
    plans = list(ServicePlan.objects.filter(site=site).select_related("treatment_unit").order_by("code"))
    prices: dict[int, Decimal] = {}
    for price in PlanPrice.objects.filter(plan__in=plans, from_on__lte=today).order_by("from_on"):
        prices[price.plan_id] = price.amount
    for plan in plans:
        plan.amount, plan.is_over = prices.get(plan.pk), bool(plan.ends_on and plan.ends_on <= today)
    return plans


def _hours(site: Site) -> list[tuple[str, str]]:
    """Return each weekday with its hours; none where none are set."""
    by_day: dict[int, list[str]] = {}
    for row in AccessHours.objects.filter(site=site).order_by("weekday", "opens_at"):
        by_day.setdefault(row.weekday, []).append(f"{row.opens_at:%H:%M}–{row.closes_at:%H:%M}")
    return [
        (str(name), ", ".join(by_day.get(place, [])) or gettext("closed"))
        for place, name in WEEKDAYS.items()
        if by_day
    ]
