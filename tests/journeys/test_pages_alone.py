"""From an empty database by pages alone: two technicians, ten customers, fifteen units, and a published week.

How the first visit ends and is paid is walked in ``test_spreadsheet_to_revenue``.

The first customer is typed in the browser; the other nine are sent by the same form over HTTP, to be quick.
"""

from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from fleet.models import MeterReading, Person, Site, TreatmentUnit, UnitModel, UnitState
from scheduling.models import Stop, Technician, WorkOrder
from tests.journeys.phone_browser import wait_until
from tests.journeys.test_spreadsheet_to_revenue import PASSWORD, log_in

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
TYPED = {"phone": "555-0100", "address": "12 Quarry Lane, Ames, IA", "plan_name": "Full care",
         "plan_price": "60.00"}  # fmt: skip


def units(first, count, since):
    """What the form asks of units that run already."""
    return {
        f"units-{n}-{name}": value
        for n in range(count)
        for name, value in (
            ("serial", f"TU-{first + n}"), ("is_running", "on"), ("running_since", since.isoformat()),
            ("meter_total", "4200"),
        )
    }  # fmt: skip


def type_first_customer(page, url, since, month):
    """Begin at the empty overview: catalogue, then customer, site, two units and plan on one page."""
    page.goto(f"{url}/overview/")
    page.get_by_role("link", name="Enter a customer").click()
    page.get_by_role("link", name="Add a model to the catalogue").click()
    page.get_by_role("button", name="Begin with the invented examples").click()
    page.get_by_text("Small, 650 gal/day (invented)").first.wait_for()
    page.goto(f"{url}/customers/new/")
    typed = {"name": "Customer 1 (invented)", "branch_name": "North", "plan_starts_on": month.isoformat()}
    for name, value in (typed | TYPED | units(1, 2, since)).items():
        place = page.locator(f"[name={name}]")
        place.check() if value == "on" else place.fill(value)
    page.get_by_role("button", name="Add customer").last.click()
    page.get_by_text("Customer 1 (invented) is added.").wait_for()


def send_other_customers(owner, since, month):
    """Send nine more through the same form: four with two units, five with one."""
    client, serial = Client(), 3
    client.force_login(owner)
    given = {
        "branch": Site.objects.get().branch_id, "plan_interval": "month", "plan_starts_on": month.isoformat(),
        "units-TOTAL_FORMS": "2", "units-INITIAL_FORMS": "0", "do": "take_in", **TYPED,
    }  # fmt: skip
    model = UnitModel.objects.get(code="EX-S").pk
    given |= {f"units-{n}-{name}": value for n in range(2)
              for name, value in (("unit_model", model), ("meter_measure", "gal"))}  # fmt: skip
    for number in range(2, 11):
        count = 2 if number <= 5 else 1
        typed = given | {"name": f"Customer {number} (invented)"} | units(serial, count, since)
        answer = client.post(reverse("new_customer"), typed)
        assert answer.status_code == 302, answer.content.decode()
        serial += count


def take_on(page, url, name, log_in_name):
    """A log-in with its invitation, and a technician with a week and a van. Returns the link."""
    page.goto(f"{url}{reverse('new_person')}")
    page.fill("[name=username]", log_in_name)
    page.select_option("[name=role]", "technician")
    page.get_by_role("button", name="Make it and invite").click()
    link = page.locator("#link").input_value()
    page.goto(f"{url}{reverse('technicians')}")
    page.get_by_role("link", name="New technician").click()
    page.fill("[name=name]", name)
    page.fill("[name=starts_in]", "Ames, IA")
    page.select_option("[name=person]", str(Person.objects.get(username=log_in_name).pk))
    page.get_by_role("button", name="Take on").click()
    page.get_by_text("is planned from the first day on").wait_for()
    return link


def paste_readings(page, url, today):
    """Two older readings of each unit, as a block from a spreadsheet."""
    serials = TreatmentUnit.objects.order_by("pk").values_list("serial", flat=True)
    lines = [
        f"{serial}\t{total}\t{today - timedelta(days=ago)}"
        for serial in serials
        for total, ago in ((3000, 20), (3600, 10))
    ]
    page.goto(f"{url}{reverse('enter_grid')}")
    page.get_by_text("Paste from a spreadsheet").first.click()
    page.fill("[name=paste]", "\n".join(lines))
    page.get_by_role("button", name="Save readings").click()
    wait_until(lambda: MeterReading.objects.count() == 45, "two readings more of each unit")


def plan_and_publish(page, url, today):
    """Ask for a week, then publish it."""
    page.goto(f"{url}/plans/")
    page.fill("[name=first_on]", (today + timedelta(days=1)).isoformat())
    page.fill("[name=days]", "7")
    page.fill("[name=seconds]", "2")
    page.get_by_role("button", name="Create plan").click()
    page.on("dialog", lambda dialog: dialog.accept())
    page.get_by_role("button", name="Publish").click()
    page.get_by_role("button", name="Unpublish").wait_for()


def open_first_visit(browser, url, links):
    """Whoever has the first visit sets a password, logs in, and opens the day and the visit."""
    stop = Stop.objects.select_related("route__technician__person").earliest("starts_at")
    username = stop.route.technician.person.username
    phone = browser.new_context(viewport={"width": 390, "height": 844}).new_page()
    phone.goto(links[username])
    for name in ("new_password1", "new_password2"):
        phone.fill(f"[name={name}]", PASSWORD)
    phone.locator("main button[type=submit]").click()
    phone.fill("[name=username]", username)
    phone.fill("[name=password]", PASSWORD)
    phone.locator("main button[type=submit]").click()
    phone.wait_for_url("**/phone/day/**")
    phone.goto(f"{url}{reverse('day', args=[stop.route.day.isoformat()])}")
    phone.locator(f"a[href='{reverse('visit', args=[stop.pk])}']").click()
    phone.wait_for_url("**/phone/visit/**")
    phone.locator("#submit:enabled").wait_for()
    phone.context.close()


def test_a_company_works_from_an_empty_database_by_pages_alone(browser, live_server):
    url, today = live_server.url, timezone.localdate()
    since = today - timedelta(days=213)
    last_month = (today.replace(day=1) - timedelta(days=1)).replace(day=1)
    owner = Person.objects.create_user("owner", password=PASSWORD, role="owner")
    page = log_in(browser, url, "owner", 1440, 900)
    type_first_customer(page, url, since, last_month)
    send_other_customers(owner, since, last_month)
    links = {
        name.split()[0].lower(): take_on(page, url, name, name.split()[0].lower())
        for name in ("Ines Varga (invented)", "Mara Quist (invented)")
    }
    paste_readings(page, url, today)
    assert (Site.objects.count(), TreatmentUnit.objects.count(), Technician.objects.count()) == (10, 15, 2)

    page.goto(f"{url}/overview/")
    page.get_by_text("10 sites have no place").wait_for()
    page.get_by_role("link", name="Places of sites").first.click()
    page.get_by_role("button", name="Place by town or postal code").click()
    page.get_by_text("10 sites were placed by their town").wait_for()
    page.goto(f"{url}/overview/")
    page.get_by_role("button", name="Assess and raise work now").click()
    # Sediment cartridges last six months; these are seven months old.
    wait_until(lambda: WorkOrder.objects.filter(kind="change_due").count() >= 15, "work for each unit")
    assert UnitState.objects.count() == 15

    plan_and_publish(page, url, today)
    assert WorkOrder.objects.filter(kind="change_due", state="open").count() == 0, "all of it is on a route"
    open_first_visit(browser, url, links)
    page.context.close()
