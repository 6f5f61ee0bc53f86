"""From an empty database, pages alone: a new customer with two units, then a site changed and units swapped,
moved and retired, each within the clicks that an everyday act may take."""

import pytest
from django.urls import reverse

from fleet.models import AuditEntry, Person, Site, TreatmentUnit
from scheduling.models import WorkOrder
from scheduling.register import walk
from tests.journeys.test_spreadsheet_to_revenue import PASSWORD, log_in

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
MOST_CLICKS = {"swap": 3, "move": 3, "retire": 3, "change a site": 3}


class Clicks:
    """Presses on one page's links and buttons, counted."""

    def __init__(self, tab):
        self.tab, self.count = tab, 0

    def press(self, role, name):
        """Press what is called so, and wait for the page it leads to."""
        self.count += 1
        self.tab.get_by_role(role, name=name, exact=True).first.click()
        self.tab.wait_for_load_state()


def take_in(page, url):
    """Take a customer in with two units, leaving the walk half-way once. Returns how much was typed."""
    page.goto(f"{url}/catalogue/")
    page.get_by_role("button", name="Begin with the invented examples").click()
    page.get_by_text("Small, 650 gal/day (invented)").first.wait_for()
    page.goto(f"{url}/customers/")
    page.get_by_role("link", name="New customer").first.click()
    typed = {
        "name": "Amber Bakery (invented)", "phone": "555-0100", "address": "1 High Street",
        "branch_name": "North", "units-0-serial": "TU-1",
    }  # fmt: skip
    for name, value in typed.items():
        page.fill(f"[name={name}]", value)
    page.get_by_role("button", name="Save draft").click()
    page.get_by_text("What you entered is kept").wait_for()
    page.get_by_role("link", name="New customer").first.click()
    page.get_by_text("Your draft, saved on").wait_for()
    more = {"units-1-serial": "TU-2", "units-1-running_since": "2026-03-02", "units-1-meter_total": "4200"}
    for name, value in more.items():
        page.fill(f"[name={name}]", value)
    page.check("[name=units-1-is_running]")
    page.get_by_role("button", name="Add customer").last.click()
    page.get_by_text("Amber Bakery (invented) is added.").wait_for()
    return sum(map(len, [*typed.values(), *more.values()]))


def test_a_customer_comes_in_and_the_register_is_kept_by_pages_alone(browser, live_server):
    url = live_server.url
    planner = Person.objects.create_user("planner", password=PASSWORD, role="planner")
    page = log_in(browser, url, "planner", 1440, 900)
    # Two minutes at forty words of five letters a minute.
    assert take_in(page, url) < 2 * 40 * 5
    assert walk.draft_of(planner) is None
    assert WorkOrder.objects.get().treatment_unit.serial == "TU-1"

    counted = {}
    clicks = Clicks(page)
    page.get_by_role("link", name="Amber Bakery (invented)").first.click()
    page.get_by_role("link", name="Change", exact=True).wait_for()
    clicks.press("link", "Change")
    page.fill("[name=access_note]", "Ring twice.")
    clicks.press("button", "Save")
    page.get_by_text("Ring twice.").wait_for()
    counted["change a site"] = clicks.count

    unit = f"{url}{reverse('treatment_unit', args=['TU-2'])}"
    page.goto(unit)
    clicks = Clicks(page)
    clicks.press("link", "Swap")
    page.get_by_text("TU-2 is retired with its history").wait_for()
    page.fill("[name=serial]", "TU-1")
    clicks.press("button", "Swap the unit")
    page.get_by_text("There is a treatment unit TU-1 already").first.wait_for()
    page.fill("[name=serial]", "TU-3")
    clicks.press("button", "Swap the unit")
    page.get_by_text("TU-3 stands where TU-2 stood.").wait_for()
    counted["swap"] = clicks.count

    site = Site.objects.get()
    page.goto(f"{url}{reverse('customer_page', args=[site.customer.code])}")
    page.get_by_role("link", name="Add a site").first.click()
    page.fill("[name=name]", "Mill Road")
    page.get_by_role("button", name="Add the site").click()
    page.get_by_text("Mill Road is added.").wait_for()
    page.goto(f"{url}{reverse('treatment_unit', args=['TU-3'])}")
    clicks = Clicks(page)
    clicks.press("link", "Move")
    page.fill("[name=to]", "Mill Road")
    clicks.press("button", "Look at what this does")
    page.get_by_text("keeps on its page that TU-3 stood there").wait_for()
    clicks.press("button", "Move the unit")
    page.get_by_text("TU-3 stands at Mill Road now.").wait_for()
    counted["move"] = clicks.count

    clicks = Clicks(page)
    clicks.press("link", "Retire")
    page.fill("[name=because]", "Leaks beyond repair.")
    clicks.press("button", "Retire the unit")
    page.get_by_text("TU-3 is retired.").wait_for()
    counted["retire"] = clicks.count

    assert all(counted[act] <= most for act, most in MOST_CLICKS.items()), counted
    assert set(TreatmentUnit.objects.filter(retired_on=None).values_list("serial", flat=True)) == {"TU-1"}
    assert AuditEntry.objects.filter(by__username="planner").count() >= 8
    page.context.close()


def test_the_walk_fits_a_phone_and_goes_by_keyboard(browser, live_server):
    Person.objects.create_user("planner", password=PASSWORD, role="planner")
    page = log_in(browser, live_server.url, "planner", 390, 844)
    page.goto(f"{live_server.url}/customers/new/")
    page.get_by_role("heading", name="New customer").wait_for()
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.focus("[name=name]")
    page.keyboard.type("Amber Bakery (invented)")
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="New customer").wait_for()
    assert page.input_value("[name=name]") == "Amber Bakery (invented)", "what was typed stays"
    page.context.close()
