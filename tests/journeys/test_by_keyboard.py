"""Each person's own job by keyboard alone: nothing is clicked, and one always sees where one is."""

from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from fleet.assessment import runs
from fleet.models import Part
from scheduling.models import CloseOut, OrderState, RevenueEntry, RouteProposal
from scheduling.orders.steps import ensure_step_sheets
from tests import factories as make
from tests.journeys.test_pages_of_work import as_person

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
MOST_TABS = 150
AT = """() => {
  const one = document.activeElement;
  if (!one || one === document.body) return ['', '', true];
  const style = getComputedStyle(one);
  const labels = [...(one.labels || [])].map((label) => label.innerText);
  const words = [one.ariaLabel, ...labels, one.innerText, one.title].filter(Boolean).join(' ');
  const box = one.getBoundingClientRect();
  const isSeen = style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2;
  return [words.replace(/\\s+/g, ' ').trim(), one.tagName.toLowerCase(), isSeen && box.width > 0];
}"""


class Hands:
    """Two hands on a keyboard, and eyes."""

    def __init__(self, tab) -> None:
        self.tab = tab

    def to(self, words: str, kind: str = "") -> None:
        """Press Tab until one is at what says these words; each stop on the way must be seen."""
        met = []
        for _ in range(MOST_TABS):
            self.tab.keyboard.press("Tab")
            said, tag, is_seen = self.tab.evaluate(AT)
            assert is_seen, f"the focus is not seen at {tag} {said!r}"
            if words in said and kind in ("", tag):
                return
            met.append(said[:40])
        pytest.fail(f"{words!r} is not reached by Tab; met {met}")

    def press(self, *keys: str) -> None:
        for key in keys:
            self.tab.keyboard.press(key)

    def write(self, text: str) -> None:
        self.tab.keyboard.press("Control+a")
        self.tab.keyboard.type(text)

    def enter(self, words: str, kind: str = "") -> None:
        """Go there, press Enter and wait for the page it leads to."""
        self.to(words, kind)
        with self.tab.expect_navigation():
            self.tab.keyboard.press("Enter")


@pytest.fixture
def company(live_server):
    """One late carbon change at a site with a plan, and a technician on shift all week."""
    now = timezone.now()
    today = timezone.localdate(now)
    ensure_step_sheets(now)
    technician = make.technician()
    unit = make.whole_unit(site=make.site(branch=technician.branch))
    runs.assess_units([unit.pk], now)
    carbon = Part.objects.get(treatment_unit=unit, position__code="carbon")
    order = make.work_order(
        unit, part=carbon, window_from=today - timedelta(days=9), window_to=today - timedelta(days=2),
        raised_at=now, changed_at=now,
    )  # fmt: skip
    return live_server.url, technician, order, today


def hands_of(browser, url: str, person, **look) -> Hands:
    return Hands(as_person(browser.new_context(**look), url, person))


def test_a_planner_finds_late_work_plans_it_and_publishes(browser, company):
    url, _, order, today = company
    hands = hands_of(browser, url, make.person("planner"))
    hands.tab.goto(f"{url}{reverse('planner_overview')}")
    hands.enter("Work orders late")
    hands.enter(f"W{order.pk:06d}", "a")
    assert "late" in hands.tab.inner_text("main").lower()
    hands.enter("Routes", "a")
    hands.to("First day")
    hands.press(*f"{today + timedelta(days=1):%m%d%Y}")
    hands.to("Days")
    hands.write("7")
    hands.to("Time limit (seconds)")
    hands.write("1")
    hands.enter("Create plan", "button")
    hands.tab.get_by_role("button", name="Publish").wait_for(timeout=90_000)
    hands.tab.on("dialog", lambda dialog: dialog.accept())
    hands.enter("Publish", "button")
    hands.tab.get_by_role("button", name="Unpublish").wait_for()
    order.refresh_from_db()
    assert order.state == OrderState.ON_ROUTE
    assert RouteProposal.objects.get().state == "published"
    assert not hands.tab.said


def test_a_technician_opens_the_day_and_closes_an_order_out(browser, company):
    url, technician, order, today = company
    make.route(technician, [order], today)
    hands = hands_of(browser, url, technician.person, viewport={"width": 360, "height": 740})
    hands.tab.goto(f"{url}{reverse('day', kwargs={'on': today.isoformat()})}")
    hands.enter(f"Open W{order.pk:06d}")
    while (phase := hands.tab.locator(".phase[open]:has(.phase-done)")).count():
        if phase.locator("[name=lot__carbon]").count():
            hands.to("Lot", "input")
            hands.write("NEW-7")
        if phase.locator("[name=flush_volume]").count():
            hands.to("Drained", "input")
            hands.write("25")
            hands.to("Took", "input")
            hands.write("20")
            hands.to("Yes, clear", "input")
            hands.press("Space")
        hands.to("All of these done", "button")
        hands.press("Enter")
    hands.to("Done", "input")
    hands.press("Space")
    hands.to(f"Close out W{order.pk:06d}", "button")
    hands.press("Enter")
    hands.tab.wait_for_url("**/phone/day/**")
    hands.tab.get_by_text("Service report").wait_for(timeout=90_000)
    assert CloseOut.objects.get().order_id == order.pk
    assert not hands.tab.said


def test_an_owner_goes_from_a_figure_to_the_rows_behind_it(browser, company):
    url, _, order, today = company
    make.plan(order.site)
    RevenueEntry.objects.create(
        kind="work", cause_key="test:1", site=order.site, month=today.replace(day=1), amount="12.50",
        text="Work", entered_at=timezone.now(),
    )  # fmt: skip
    hands = hands_of(browser, url, make.person("owner"))
    hands.tab.goto(f"{url}{reverse('planner_overview')}")
    hands.enter("Revenue", "a")
    hands.enter("12.50", "a")
    assert "12.50" in hands.tab.inner_text("tbody")
    hands.enter("Revenue", "a")
    hands.to("Integrations", "summary")
    hands.press("Enter")
    hands.enter("Import", "a")
    assert hands.tab.url.endswith("/import/")
    assert not hands.tab.said
