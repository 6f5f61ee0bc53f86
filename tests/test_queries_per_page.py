"""A page asks the database as often for a large fleet as for a small one."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from fleet.assessment import runs
from fleet.models import Part
from scheduling.models import RevenueEntry, StockPlace, UnplacedOrder
from scheduling.orders.steps import ensure_step_sheets
from tests import factories as make
from tests.test_access import ALL_PAGES

pytestmark = pytest.mark.django_db
FILES = (".csv", ".xlsx", ".pdf", ".json", ".js", ".webmanifest", ".ics", ".gpx")
NOT_COUNTED = {
    "log_in": "for strangers",
    "healthz": "for machines",
    "readyz": "for machines",
    "metrics": "for machines",
}
SMALL, LARGE = 3, 12


class Company:
    """An invented company that grows by sites, each with a unit, work, a plan, a route and revenue."""

    def __init__(self) -> None:
        self.now = timezone.now()
        self.today = timezone.localdate(self.now)
        ensure_step_sheets(self.now)
        self.branch = make.branch()
        self.technicians = []
        self.units = []
        self.route = None

    def grow(self, count: int) -> None:
        """Add so many of everything."""
        made = []
        for _ in range(count):
            site = make.site(branch=self.branch)
            unit = make.whole_unit(site=site)
            made.append(unit)
            make.plan(site, renews_on=self.today + timedelta(days=30))
            RevenueEntry.objects.create(
                kind="work", cause_key=f"test:{unit.pk}", site=site, month=self.today.replace(day=1),
                amount="12.50", text="Work", entered_at=self.now,
            )  # fmt: skip
        runs.assess_units([unit.pk for unit in made], self.now)
        technician = make.technician(branch=self.branch)
        self.technicians.append(technician)
        make.van(technician, Part.objects.filter(treatment_unit=made[0])[0].kind)
        orders = [self._order(unit) for unit in made]
        route = make.route(technician, orders[:-1], self.today)
        self.route = self.route or route
        UnplacedOrder.objects.create(
            proposal=self.route.proposal, order=orders[-1], reason="day full", text="x"
        )
        self.units += made

    def _order(self, unit):
        carbon = Part.objects.get(treatment_unit=unit, position__code="carbon")
        order = make.work_order(
            unit, part=carbon, window_from=self.today, window_to=self.today + timedelta(days=5),
            raised_at=self.now, changed_at=self.now,
        )  # fmt: skip
        order.needed_parts.create(kind=carbon.kind)
        return order


def addresses(company: Company) -> list[str]:
    """Every page without a name in its address, and one of each of the others that grow with the fleet."""
    found = [
        f"/{address}" for address, name, view in ALL_PAGES
        if "<" not in address and name not in NOT_COUNTED and not address.endswith(FILES)
        and getattr(view, "required_permission", None)
    ]  # fmt: skip
    route = company.route
    return [
        *found,
        reverse("treatment_unit", args=[company.units[0].serial]),
        reverse("site_page", args=[company.units[0].site.code]),
        reverse("work_order", args=[route.stops.first().orders.first().order_id]),
        reverse("proposal", args=[route.proposal_id]),
        reverse("route", args=[route.pk]),
        reverse("stock_place", args=[StockPlace.objects.order_by("pk")[0].code]),
    ]


def counts(client, company: Company) -> dict[str, int]:
    """Return how many queries each page makes, the second time it is looked at."""
    found = {}
    for address in addresses(company):
        client.get(address, follow=True)
        with CaptureQueriesContext(connection) as asked:
            answer = client.get(address, follow=True)
        if answer.status_code == 200:
            found[address] = len(asked)
    return found


def test_no_page_asks_more_often_for_a_larger_fleet(client):
    client.force_login(make.person("owner"))
    company = Company()
    company.grow(SMALL)
    small = counts(client, company)
    company.grow(LARGE)
    large = counts(client, company)
    grown = {one: (small[one], large[one]) for one in small if large[one] > small[one]}
    assert grown == {}
    assert len(small) > 35
