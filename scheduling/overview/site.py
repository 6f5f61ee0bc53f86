"""What the page of one site shows."""

from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from django.utils.dates import WEEKDAYS
from django.utils.translation import gettext

from fleet.models import Site, TreatmentUnit
from scheduling.models import AccessHours, CloseOut, PlanPrice, ServicePlan, Stop, WorkOrder
from scheduling.overview.fleet_list import rows_of
from scheduling.overview.treatment_unit import FeedTestLine, feed_test_lines


@dataclass(frozen=True)
class PlanLine:
    """One service plan with its price of today."""

    code: str
    name: str
    serial: str
    interval: str
    amount: Decimal | None
    visit_every_months: int | None
    starts_on: date
    ends_on: date | None
    renews_on: date | None
    is_over: bool


@dataclass(frozen=True)
class OpenHours:
    """One weekday's hours."""

    weekday: str
    hours: str


@dataclass(frozen=True)
class VisitRow:
    """One close-out at the site."""

    order_id: int
    finished_at: datetime
    serial: str
    what: str
    technician: str
    outcome: str
    outcome_word: str
    is_undone: bool


@dataclass(frozen=True)
class SitePage:
    """The whole page."""

    site: Site
    units: list[dict]
    plans: list[PlanLine]
    tests: list[FeedTestLine]
    hours: list[OpenHours]
    visits: list[VisitRow]
    coming: list[tuple[datetime, str]]
    orders: list[WorkOrder]


def site_page(code: str, *, branch_id: int | None, now: datetime, today: date) -> SitePage | None:
    """Return a site's page, None when there is none for this person. Ten queries."""
    sites = Site.objects.select_related("customer", "branch", "supply")
    if branch_id:
        sites = sites.filter(branch_id=branch_id)
    site = sites.filter(code=code).first()
    if site is None:
        return None
    unit_ids = list(TreatmentUnit.objects.filter(site=site).order_by("serial").values_list("id", flat=True))
    return SitePage(
        site=site,
        units=rows_of(unit_ids),
        plans=_plans(site, today),
        tests=feed_test_lines(site),
        hours=_hours(site),
        visits=_visits(site),
        coming=[
            (stop.starts_at, stop.route.technician.name)
            for stop in Stop.objects.filter(site=site, route__is_in_force=True, starts_at__gte=now)
            .select_related("route__technician")
            .order_by("starts_at")[:5]
        ],
        orders=list(
            WorkOrder.objects.standing()
            .filter(site=site)
            .select_related("treatment_unit")
            .order_by("window_to")
        ),
    )


def _plans(site: Site, today: date) -> list[PlanLine]:
    plans = list(ServicePlan.objects.filter(site=site).select_related("treatment_unit").order_by("code"))
    prices: dict[int, Decimal] = {}
    for price in PlanPrice.objects.filter(plan__in=plans, from_on__lte=today).order_by("from_on"):
        prices[price.plan_id] = price.amount
    return [
        PlanLine(
            code=plan.code,
            name=plan.name,
            serial=plan.treatment_unit.serial if plan.treatment_unit else "",
            interval=plan.get_interval_display().lower(),
            amount=prices.get(plan.pk),
            visit_every_months=plan.visit_every_months,
            starts_on=plan.starts_on,
            ends_on=plan.ends_on,
            renews_on=plan.renews_on,
            is_over=bool(plan.ends_on and plan.ends_on <= today),
        )
        for plan in plans
    ]


def _hours(site: Site) -> list[OpenHours]:
    by_day: dict[int, list[str]] = {}
    for row in AccessHours.objects.filter(site=site).order_by("weekday", "opens_at"):
        by_day.setdefault(row.weekday, []).append(f"{row.opens_at:%H:%M}–{row.closes_at:%H:%M}")
    if not by_day:
        return []
    return [
        OpenHours(name, ", ".join(by_day.get(place, [])) or gettext("closed"))
        for place, name in WEEKDAYS.items()
    ]


def _visits(site: Site) -> list[VisitRow]:
    rows = CloseOut.objects.filter(order__site=site).select_related("order__treatment_unit", "technician")
    return [
        VisitRow(
            order_id=row.order_id,
            finished_at=row.finished_at,
            serial=row.order.treatment_unit.serial,
            what=row.order.get_kind_display(),
            technician=row.technician.name,
            outcome=row.outcome,
            outcome_word=row.get_outcome_display(),
            is_undone=row.undone_at is not None,
        )
        for row in rows[:20]
    ]
