"""What comes in by telephone and post, and what was wrong: in few clicks, counted from a page one is on."""

import pytest
from django.urls import reverse

from fleet.models import Correction, FeedTest, MeterReading
from scheduling.orders.again import assess_and_raise
from scheduling.orders.steps import ensure_step_sheets
from tests import factories as make
from tests.journeys.test_pages_of_work import as_person

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


class Mouse:
    """Counts its clicks."""

    def __init__(self, tab, base: str) -> None:
        self.tab, self.base, self.clicks = tab, base, 0

    def at(self, address: str) -> "Mouse":
        self.tab.goto(self.base + address)
        self.clicks = 0
        return self

    def press(self, what: str) -> None:
        self.clicks += 1
        with self.tab.expect_navigation():
            self.tab.locator(what).first.click()

    def write(self, what: str, text: str) -> None:
        self.tab.locator(what).first.fill(text)


@pytest.fixture
def unit(live_server):
    ensure_step_sheets(make.NOW)
    made = make.whole_unit()
    assess_and_raise([made.pk], make.NOW)
    return made


@pytest.fixture
def mouse(page, live_server, unit):
    planner = make.person("planner", branch=unit.site.branch)
    return Mouse(as_person(page.context, live_server.url, planner), live_server.url)


def latest(unit):
    return MeterReading.objects.filter(treatment_unit=unit, is_latest=True).latest("read_at")


def find(mouse, unit):
    mouse.at(reverse("planner_overview")).press("nav a:text-is('Enter')")
    mouse.write("#q", unit.site.customer.name)
    with mouse.tab.expect_navigation():
        mouse.tab.keyboard.press("Enter")


def test_a_telephoned_reading_takes_three_clicks_at_most(mouse, unit):
    total = latest(unit).total + 300
    find(mouse, unit)
    mouse.write("#reading-total", f"{total:,.0f}")
    mouse.press("text=Save reading")
    assert latest(unit).total == round(total)
    assert mouse.clicks <= 3
    # A slip is asked about once, with the number still there. (Of this minute a reading stands already.)
    MeterReading.objects.filter(pk=latest(unit).pk).delete()
    mouse.write("#reading-total", "12")
    mouse.press("text=Save reading")
    assert mouse.tab.locator("#reading-total").input_value() == "12"
    mouse.write("#reading-because", "The register head is new.")
    mouse.press("text=Keep reading")
    assert latest(unit).total == 12


def test_a_laboratorys_test_takes_three_clicks_at_most(mouse, unit):
    find(mouse, unit)
    mouse.write("#test-hardness_mg_l", "180")
    mouse.write("#test-free_chlorine_mg_l", "0.5")
    mouse.write("#test-total_chlorine_mg_l", "0.9")
    mouse.press("#test button[type=submit]")
    assert FeedTest.objects.latest("pk").chloramine_mg_l == pytest.approx(0.4)
    assert mouse.clicks <= 3


@pytest.mark.parametrize(
    ("of", "field", "value"),
    [("meter_reading", "#total", "7000"), ("part", "#installed_at", "2026-05-01T09:00")],
)
def test_a_reading_and_a_parts_date_are_corrected_in_three_clicks_what_follows_told(
    mouse, unit, of, field, value
):
    mouse.at(reverse("treatment_unit", args=[unit.serial])).press(f"a[href*='/correct/{of}/']")
    mouse.write(field, value)
    mouse.write("#reason", "Misheard on the telephone.")
    mouse.press("text=Show what follows")
    assert "Nothing is kept yet." in mouse.tab.locator("main").inner_text()
    assert not Correction.objects.exists()
    mouse.press("text=Keep correction")
    assert Correction.objects.get().of == of
    assert mouse.tab.locator("s").count() >= 1
    assert mouse.clicks <= 3


def test_when_and_why_a_filter_was_changed_takes_two_clicks_at_most(mouse, unit):
    mouse.at(reverse("treatment_unit", args=[unit.serial])).press("text=Answer the customer")
    assert "Carbon: in place since" in mouse.tab.locator("main").inner_text()
    assert mouse.clicks <= 2


def test_a_column_from_a_spreadsheet_is_pasted_down_the_grid_and_doubt_stands_beside(mouse, unit):
    sister = make.meter(make.treatment_unit(site=unit.site))
    make.meter_reading(sister, 500.0)
    mouse.at(reverse("enter_grid"))
    cells = mouse.tab.locator("[data-cell]")
    cells.first.focus()
    mouse.tab.evaluate(
        """() => {
          const data = new DataTransfer();
          data.setData('text', '12\\n505\\n');
          document.activeElement.dispatchEvent(
            new ClipboardEvent('paste', {clipboardData: data, bubbles: true, cancelable: true}));
        }"""
    )
    assert [cells.nth(place).input_value() for place in range(2)] == ["12", "505"]
    told = mouse.tab.locator("output")
    assert [told.nth(place).inner_text() for place in range(2)] == ["below the last", ""]
