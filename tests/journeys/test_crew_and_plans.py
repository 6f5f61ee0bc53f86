"""Everyday acts of people, calendar and plans in a browser, each within its clicks and by the rules."""

from datetime import date, timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from scheduling.models import Absence, PlanPrice, ServicePlan, SiteClosure, StockPlace, Technician
from tests import factories
from tests.browser import expect
from tests.scheduling.overview.test_pages_in_browser import log_in, violations

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


class Hand:
    """Somebody at a page: fields are filled by keyboard, clicks are counted."""

    def __init__(self, tab, at: str):
        self.tab, self.at, self.clicks = tab, at, 0
        self.faults: dict[str, list[str]] = {}

    def begin(self, name: str, *args: str) -> None:
        """Open the page an act begins on, with no click made so far."""
        self.tab.goto(self.at + reverse(name, args=args))
        self.clicks = 0

    def click(self, role: str, name: str) -> None:
        """Press a button or follow a link by its words."""
        self.tab.get_by_role(role, name=name, exact=True).first.click()
        self.clicks += 1

    def fill(self, label: str, value: object) -> None:
        """Type into a field."""
        text = value.isoformat() if isinstance(value, date) else str(value)
        self.tab.get_by_label(label).first.fill(text)

    def done(self, most: int) -> None:
        """The next page says that it is done, and it took no more clicks than wanted."""
        expect(self.tab.locator(".notice.good, .messages").first).to_be_visible()
        assert self.clicks <= most
        self.look()

    def look(self) -> None:
        """Hold the page at hand against the accessibility rules."""
        if found := violations(self.tab):
            self.faults[self.tab.url] = found


def test_each_everyday_act_takes_no_more_clicks_than_wanted(page, live_server, client):
    today = timezone.localdate()
    thursday = today + timedelta(days=(3 - today.weekday()) % 7 or 7)
    who = factories.technician(name="Ines Varga (invented)")
    site = factories.site(branch=who.branch)
    plan = factories.plan(site, name="Full care")
    log_in(page, live_server, client, "owner")
    page.set_viewport_size({"width": 390, "height": 844})
    hand = Hand(page, live_server.url)

    hand.begin("technician", who.code)
    hand.fill("First day away", thursday)
    hand.fill("From", "10:00")
    hand.fill("To", "12:00")
    hand.click("button", "Write the absence")
    hand.done(3)
    assert f"{Absence.objects.get().starts_at:%H:%M}" == "10:00"

    hand.begin("site_page", site.code)
    hand.click("link", "Closed from … to …")
    hand.fill("First day closed", thursday)
    hand.fill("Last day closed", thursday + timedelta(days=13))
    hand.click("button", "Write the closure")
    hand.done(3)
    assert (SiteClosure.objects.get().last_on - thursday).days == 13

    page.set_viewport_size({"width": 1280, "height": 900})
    hand.begin("technicians")
    hand.click("link", "New technician")
    hand.fill("Name", "Mara Quist (invented)")
    hand.fill("First day of work", thursday)
    hand.click("button", "Take on")
    hand.done(4)
    newcomer = Technician.objects.get(works_from=thursday)
    assert StockPlace.objects.filter(technician=newcomer).exists()

    hand.begin("technician", who.code)
    hand.click("link", "Leaves …")
    hand.fill("Last day of work", thursday)
    hand.click("button", "Leaves on this day")
    hand.done(3)
    who.refresh_from_db()
    assert who.last_on == thursday

    hand.begin("revenue_review")
    hand.click("link", "Change many prices")
    hand.fill("By percent", "4")
    hand.click("button", "Show old and new")
    hand.click("button", "Keep these prices")
    hand.done(4)
    assert PlanPrice.objects.filter(plan=plan).count() == 2

    hand.begin("owner_plan", plan.code)
    hand.click("link", "End the plan …")
    hand.fill("Last day covered", thursday)
    hand.fill("Why", "Moved away")
    hand.click("button", "End the plan")
    hand.done(3)
    assert ServicePlan.objects.get().ends_on == thursday + timedelta(days=1)
    for name in ("technicians", "company_calendar", "people", "new_person", "price_changes"):
        hand.begin(name)
        hand.look()
    assert hand.faults == {}
