"""Pages of work, routes, day and revenue in a real browser: readable by all, narrow, wide, light and dark."""

import pytest
from django.conf import settings
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from fleet.models import Part
from scheduling.models import RevenueEntry, RouteProposal, UnplacedOrder
from scheduling.orders.steps import ensure_step_sheets
from tests import factories as make
from tests.browser import Axe

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
RULES = {
    "runOnly": {
        "type": "tag",
        "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    }
}


@pytest.fixture
def company(live_server):
    """A small company with something on every page, and the addresses by who looks at them."""
    ensure_step_sheets(make.NOW)
    technician = make.technician()
    unit = make.whole_unit()
    carbon = Part.objects.get(treatment_unit=unit, position__code="carbon")
    limits = {"volume": {"wear": 1.2, "due_on": "2026-10-30"}, "calendar": {"wear": 0.4, "due_on": None}}
    order = make.work_order(unit, part=carbon, flush_minutes=20, numbers={"seen_gal": 9000, "limits": limits})
    order.needed_parts.create(kind=carbon.kind)
    route = make.route(technician, [order, make.work_order(make.treatment_unit())])
    left_out = make.work_order(make.treatment_unit())
    UnplacedOrder.objects.create(
        proposal=route.proposal, order=left_out, reason="day full", text="12 min short."
    )
    running = RouteProposal.objects.create(
        first_on=make.TODAY, last_on=make.TODAY, made_at=make.NOW, progress=0.4
    )
    make.plan(unit.site, renews_on=timezone.localdate())
    RevenueEntry.objects.create(
        kind="work", cause_key="test:1", site=unit.site, month=timezone.localdate().replace(day=1),
        amount="12.50", text="Work", entered_at=make.NOW,
    )  # fmt: skip
    pages = {
        "planner": [
            reverse("work_orders"), f"{reverse('work_orders')}?words=nothing", reverse("new_order"),
            reverse("work_order", args=[order.pk]), reverse("proposals"),
            reverse("proposal", args=[route.proposal_id]), reverse("proposal", args=[running.pk]),
            f"{reverse('day_board')}?day={make.TODAY}", reverse("route", args=[route.pk]),
        ],
        "technician": [
            reverse("day", kwargs={"on": make.TODAY.isoformat()}), reverse("day"),
            reverse("close_out", args=[order.pk]),
        ],
        "owner": [reverse("revenue_review"), reverse("revenue_entries")],
    }  # fmt: skip
    return live_server.url, technician.person, pages


def as_person(context, url: str, person):
    """Give the browser the session a log-in would, and a page that remembers console errors."""
    client = Client()
    client.force_login(person)
    name = settings.SESSION_COOKIE_NAME
    context.add_cookies([{"name": name, "value": client.cookies[name].value, "url": url}])
    tab = context.new_page()
    tab.said = []
    tab.on("console", lambda message: tab.said.append(message.text) if message.type == "error" else None)
    tab.on("pageerror", lambda error: tab.said.append(str(error)))
    return tab


@pytest.mark.parametrize("role", ["planner", "technician", "owner"])
@pytest.mark.parametrize(("width", "scheme"), [(1440, "light"), (320, "dark")])
def test_pages_pass_axe_fit_their_width_and_say_nothing_on_the_console(browser, company, role, width, scheme):
    url, technician, pages = company
    context = browser.new_context(viewport={"width": width, "height": 800}, color_scheme=scheme)
    tab = as_person(context, url, technician if role == "technician" else make.person(role))
    for address in pages[role]:
        tab.goto(url + address)
        too_wide = tab.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        assert too_wide <= 0, f"{address} is {too_wide} px wider than {width}"
        found = Axe().run(tab, options=RULES).response["violations"]
        told = [f"{one['id']}: {[node['html'][:160] for node in one['nodes']][:4]}" for one in found]
        assert not told, f"{address} at {width} {scheme}: {told}"
    assert not tab.said
    context.close()


@pytest.mark.parametrize("role", ["planner", "technician", "owner"])
def test_a_page_asks_for_few_things_and_nothing_outside_the_server(browser, company, role):
    url, technician, pages = company
    for address in pages[role]:
        asked = requests_of(browser, url, technician if role == "technician" else make.person(role), address)
        assert all(one.startswith((url, "data:", "blob:")) for one in asked), asked
        assert len(asked) <= 15, asked


def requests_of(browser, url: str, person, address: str) -> list[str]:
    """Return what a first look at a page asks for, without what the phone's worker keeps for later."""
    context = browser.new_context(service_workers="block")
    tab = as_person(context, url, person)
    asked: list[str] = []
    tab.on("request", lambda request: asked.append(request.url))
    tab.goto(url + address, wait_until="load")
    context.close()
    return asked


def test_a_planner_filters_opens_and_withdraws_by_keyboard_alone(browser, company):
    url, _, _ = company
    context = browser.new_context()
    tab = as_person(context, url, make.person("planner"))
    tab.goto(f"{url}{reverse('work_orders')}")
    tab.keyboard.press("Tab")
    assert tab.evaluate("document.activeElement.textContent") == "Skip to the page"
    tab.get_by_label("Search", exact=True).focus()
    tab.keyboard.type("Carbon: 90%")
    tab.keyboard.press("Enter")
    tab.wait_for_url("**words=**")
    tab.locator("tbody th a").first.focus()
    tab.keyboard.press("Enter")
    tab.get_by_label("Why it is withdrawn").focus()
    tab.keyboard.type("Customer moved.")
    tab.keyboard.press("Enter")
    tab.get_by_text("is withdrawn. Its history keeps your reason.").wait_for()
    assert not tab.said
    context.close()


def test_the_route_prints_without_the_frame(browser, company, tmp_path):
    url, _, pages = company
    context = browser.new_context()
    tab = as_person(context, url, make.person("planner"))
    tab.goto(url + pages["planner"][-1])
    tab.emulate_media(media="print")
    assert not tab.locator(".rail").is_visible()
    assert tab.locator(".route-stops").is_visible()
    context.close()


@pytest.mark.parametrize(
    ("address", "highest"), [("/fleet/", 34), ("/customers/", 34), ("/work-orders/", 50)]
)
@pytest.mark.parametrize("width", [1280, 1480, 1920])
def test_a_list_at_a_desk_is_dense_and_cuts_no_column(browser, company, address, highest, width):
    url, _, _ = company
    context = browser.new_context(viewport={"width": width, "height": 768})
    tab = as_person(context, url, make.person("planner"))
    tab.goto(url + address)
    heights = tab.evaluate("[...document.querySelectorAll('.many tbody tr')].map(row => row.offsetHeight)")
    assert heights
    assert max(heights) <= highest
    assert tab.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    assert tab.evaluate("(f => f.scrollWidth - f.clientWidth)(document.querySelector('.many'))") <= 0
    context.close()
