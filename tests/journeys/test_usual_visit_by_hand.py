"""The usual visit by thumb on a phone of 390 × 740: how many taps, how many screens, none sideways."""

from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
from django.utils import timezone

from fleet.models import Part
from scheduling.models import CloseOut, StopOrder, Visit
from scheduling.orders.steps import ensure_step_sheets
from tests import factories as make
from tests.journeys.phone_browser import log_in, phone, unfold, wait_until, watch

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
SCREEN_PX = 740
MOST_TAPS = 12
MOST_SCREENS = 3


@pytest.fixture
def two_cartridges(live_server):
    """One stop: a sediment and a carbon cartridge of one unit are due."""
    now = timezone.now()
    ensure_step_sheets(now)
    technician = make.technician()
    today = now.astimezone(ZoneInfo(technician.branch.time_zone)).date()
    unit = make.treatment_unit(
        has_electric_inlet_valve=True, has_pump=True, has_tank=True, has_softener=False, has_uv=False
    )
    orders = []
    for number, role in enumerate(("sediment", "carbon"), start=1):
        kind = make.part_kind(role=role, needs_flush=role == "carbon")
        part = make.part(make.position(unit, role, number), kind, installed_at=now - timedelta(days=100))
        orders.append(make.work_order(
            unit, part=part, cause_key=f"change {role}", flush_minutes=20 if role == "carbon" else 0,
            window_from=today, window_to=today + timedelta(days=5), raised_at=now, changed_at=now,
        ))  # fmt: skip
    route = make.route(technician, orders, today)
    StopOrder.objects.filter(stop__route=route).update(stop=route.stops.order_by("place").first())
    route.stops.filter(orders__isnull=True).delete()
    return live_server.url, technician, orders


def test_the_usual_visit_takes_twelve_taps_and_three_screens(browser, two_cartridges, tmp_path):
    url, technician, orders = two_cartridges
    with phone(browser, tmp_path) as context:
        log_in(context, url, technician.person)
        tab = context.pages[0]
        errors = watch(tab)
        tab.set_viewport_size({"width": 390, "height": SCREEN_PX})
        tab.goto(f"{url}/phone/day/")
        taps, tallest = 0, 0

        def tap(place):
            nonlocal taps, tallest
            place.click()
            taps += 1
            tallest = max(tallest, tab.evaluate("document.documentElement.scrollHeight"))
            assert tab.evaluate("document.documentElement.scrollWidth") <= 390

        tap(tab.get_by_role("link", name="Open the visit"))
        tab.wait_for_url("**/phone/visit/**")
        tab.locator("#submit:enabled").wait_for()
        tap(tab.locator("#cautions-read"))
        tallest = 0
        unit = f"u{orders[0].treatment_unit_id}__"
        while (button := tab.locator(".phase[open] .phase-done:visible")).count():
            if (volume := tab.locator(f"[name={unit}flush_volume]")).is_visible():
                volume.fill("25")
                tab.fill(f"[name={unit}flush_minutes]", "20")
                tap(tab.locator(f"label:has([name={unit}flush_clear][value=yes])"))
            tap(button.first)
        tap(tab.locator("label.all-done"))
        tap(tab.locator("#submit"))
        tab.wait_for_url("**/phone/day/**")
        wait_until(Visit.objects.exists, "the visit on the server")
        assert not errors
    assert CloseOut.objects.filter(outcome="done").count() == 2
    assert Part.objects.in_place().exclude(pk__in=[order.part_id for order in orders]).count() == 2
    assert taps <= MOST_TAPS, taps
    assert tallest <= MOST_SCREENS * SCREEN_PX, f"{tallest} px, {taps} taps"


def test_nobody_there_is_two_taps_and_the_button(browser, two_cartridges, tmp_path):
    url, technician, _ = two_cartridges
    with phone(browser, tmp_path) as context:
        log_in(context, url, technician.person)
        tab = context.pages[0]
        tab.goto(f"{url}/phone/day/")
        tab.get_by_role("link", name="Open the visit").click()
        tab.locator("#submit:enabled").wait_for()
        tab.locator("#could-not > summary").click()
        tab.locator("label:has([name=not_done][value=nobody_there])").click()
        assert tab.locator(".work").first.is_hidden()
        tab.locator("#submit").click()
        wait_until(lambda: CloseOut.objects.count() == 2, "both orders told")
    assert set(CloseOut.objects.values_list("outcome", "not_done_because")) == {("not_done", "nobody_there")}
    assert Part.objects.in_place().count() == 2


def test_a_new_membrane_is_compared_with_its_sheet_as_the_gauges_are_typed(browser, live_server, tmp_path):
    """Printed example beside the thin-film table: 1800 gal/day at 77 °F is 1266 gal/day at 59 °F."""
    now = timezone.now()
    ensure_step_sheets(now)
    unit = make.treatment_unit()
    kind = make.part_kind(**make.MEMBRANE | {"rated_permeate_gal_per_day": 1800})
    old = make.part(make.position(unit, "membrane", 1), kind, installed_at=now - timedelta(days=900))
    technician = make.technician()
    today = now.astimezone(ZoneInfo(technician.branch.time_zone)).date()
    order = make.work_order(
        unit, part=old, window_from=today, window_to=today + timedelta(days=5), raised_at=now, changed_at=now
    )
    make.route(technician, [order], today)
    with phone(browser, tmp_path) as context:
        log_in(context, live_server.url, technician.person)
        tab = context.pages[0]
        errors = watch(tab)
        tab.goto(f"{live_server.url}/phone/close-out/{order.pk}/")
        tab.locator("#submit:enabled").wait_for()
        unfold(tab)
        tab.locator(".work details:has(> ul.live) > summary").first.click()
        tab.locator(".work details:has(> ul.live) > summary").last.click()
        for name, text in {
            "found__feed_pressure_psi": "100", "found__concentrate_pressure_psi": "104",
            "feed_pressure_psi": "120", "concentrate_pressure_psi": "108",
            "permeate_flow_gpm": f"{1266 / 1440:.5f}", "concentrate_flow_gpm": "0.87917",
            "feed_temperature_c": "59", "feed_conductivity_us_cm": "500",
            "permeate_conductivity_us_cm": "25", "sheet__membrane": "97.5",
        }.items():  # fmt: skip
            tab.fill(f"[name={name}]", text)
        found, left = (
            tab.locator(f".live[data-when='{when}'] li").all_inner_texts() for when in ("found__", "")
        )
        assert found == ["Pressure drop ΔP -4.0 psi: check"]
        assert left == [
            "Pressure drop ΔP 12.0 psi",
            "Recovery 50.0 %: usual",
            "Rejection 95.0 %",
            "Reaches 100.0 % of the flow on its sheet; corrected for 59 °F, not for pressure: usual",
            "Its sheet says 97.5 % rejection: check",
        ]
        assert not errors
