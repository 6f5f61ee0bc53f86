"""The pages in a real browser: accessibility rules, narrow and wide, dark and light, live search."""

from datetime import timedelta

import pytest
from django.conf import settings
from django.urls import reverse
from django.utils import timezone

from fleet.assessment.runs import assess_units
from tests import factories
from tests.browser import Axe, expect

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture
def unit():
    """A treatment unit with something of everything."""
    made = factories.whole_unit(serial="RO-9", site=factories.site(code="T9", name="Harbour Laundry"))
    assess_units([made.pk], timezone.now())
    late = factories.finding(made)
    order = factories.work_order(made, finding=late, window_to=factories.TODAY)
    factories.route(factories.technician(), [order], timezone.localdate() + timedelta(days=1))
    factories.plan(made.site)
    return made


def log_in(tab, live_server, client, role: str) -> None:
    """Give the browser the session of a fresh person."""
    client.force_login(factories.person(role))
    tab.context.add_cookies(
        [{"name": settings.SESSION_COOKIE_NAME, "value": client.cookies["sessionid"].value,
          "url": live_server.url}]
    )  # fmt: skip


def violations(tab) -> list[str]:
    """What the accessibility rules find fault with, and whether the page is wider than its window."""
    found = Axe().run(tab, options={"runOnly": RULES}).response["violations"]
    told = [f"{fault['id']}: {[node['html'][:120] for node in fault['nodes']]}" for fault in found]
    if tab.evaluate("document.documentElement.scrollWidth > document.documentElement.clientWidth"):
        told.append("the page is wider than its window")
    return told


@pytest.mark.parametrize(("width", "scheme"), [(320, "dark"), (1440, "light")])
def test_no_page_breaks_an_accessibility_rule_at_any_width(page, live_server, client, unit, width, scheme):
    page.set_viewport_size({"width": width, "height": 900})
    page.emulate_media(color_scheme=scheme)
    page.goto(live_server.url + reverse("log_in"))
    assert violations(page) == []
    log_in(page, live_server, client, "owner")
    addresses = [
        reverse("planner_overview"), reverse("fleet_list"), reverse("fleet_list") + "?q=nothing-of-that-name",
        reverse("treatment_unit", args=["RO-9"]), reverse("site_page", args=["T9"]), reverse("import_fleet"),
        reverse("how_we_know"),
    ]  # fmt: skip
    told = {}
    for address in addresses:
        page.goto(live_server.url + address)
        page.evaluate("document.querySelectorAll('details').forEach((part) => { part.open = true; })")
        told[address] = violations(page)
    assert told == {address: [] for address in addresses}


def test_typing_narrows_the_list_and_the_address_can_be_shared(page, live_server, client, unit):
    factories.treatment_unit(serial="RO-77")
    log_in(page, live_server, client, "planner")
    page.goto(live_server.url + reverse("fleet_list"))
    assert page.locator("tbody tr").count() == 2
    page.fill("#id_q", "harbour")
    expect(page.locator("tbody tr")).to_have_count(1)
    page.wait_for_url("**q=harbour**")
    page.reload()
    assert page.locator("tbody tr").locator(".serial").inner_text() == "RO-9"


def test_the_first_page_is_small(page, live_server, client, unit):
    answers = []
    page.on("response", lambda answer: answers.append(answer))
    log_in(page, live_server, client, "planner")
    page.goto(live_server.url + reverse("planner_overview"), wait_until="networkidle")
    assert len(answers) <= 15
    assert sum(len(answer.body()) for answer in answers) < 200_000


def test_the_skip_link_is_the_first_thing_the_keyboard_meets(page, live_server, client, unit):
    log_in(page, live_server, client, "planner")
    page.goto(live_server.url + reverse("fleet_list"))
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the page"
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.closest('main') !== null")
