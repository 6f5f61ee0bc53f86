"""An address only: placed by its town, planned, marked to be confirmed, moved on the map by a press."""

from datetime import timedelta

import pytest
from django.conf import settings
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from fleet.models import Site, SitePlace
from fleet.register.gazetteer import distance_km
from tests import factories as make
from tests.scheduling.hands import plan

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
AMES = (42.03, -93.62)


def test_an_address_becomes_a_place_that_is_planned_and_moved(page, live_server, tmp_path):
    branch = make.branch(latitude=AMES[0], longitude=AMES[1])
    make.technician(branch=branch, start_latitude=42.0, start_longitude=-93.6)
    site = make.site(
        branch=branch,
        latitude=None,
        longitude=None,
        address="12 Quarry Lane, Ames, IA",
        area="",
        name="Larkmoor",
    )
    today = timezone.localdate()
    make.work_order(make.treatment_unit(site=site), window_from=today, window_to=today + timedelta(days=9))
    client = Client()
    client.force_login(make.person("planner", branch=branch))
    cookie = client.cookies[settings.SESSION_COOKIE_NAME].value
    page.context.add_cookies(
        [{"name": settings.SESSION_COOKIE_NAME, "value": cookie, "url": live_server.url}]
    )

    page.goto(live_server.url + reverse("proposals"))
    page.get_by_text("1 site has no place").wait_for()
    page.get_by_role("link", name="Places of sites").click()
    page.get_by_text("Ames IA").wait_for()
    page.get_by_role("button", name="Place by town or postal code").click()
    page.get_by_text("1 site was placed by its town").wait_for()
    monday = today + timedelta(days=7 - today.weekday())
    row = plan(branch, first_on=monday, days=5, now=timezone.now())
    page.goto(live_server.url + reverse("route", args=[row.routes.get(stops__site=site).pk]))
    page.get_by_text("Place to be confirmed").wait_for()
    page.get_by_role("link", name="Show it on the map").click()
    page.locator("#place-map .rough").wait_for()
    page.screenshot(path=tmp_path / "wide.png", full_page=True)

    map_ = page.locator("#place-map")
    box = map_.bounding_box()
    map_.click(position={"x": box["width"] * 0.55, "y": box["height"] * 0.45})
    pressed = page.get_by_label("Longitude").input_value()
    map_.hover(position={"x": box["width"] * 0.55, "y": box["height"] * 0.45})
    page.mouse.down()
    map_.hover(position={"x": box["width"] * 0.6, "y": box["height"] * 0.4})
    page.mouse.up()
    typed = [float(page.get_by_label(name).input_value()) for name in ("Latitude", "Longitude")]
    assert typed[1] > float(pressed), "dragged eastwards"
    assert typed[0] > Site.objects.get(pk=site.pk).latitude
    page.get_by_role("button", name="Keep this place").click()
    page.get_by_text("Larkmoor is placed.").wait_for()
    kept = SitePlace.objects.get(site=site)
    assert (kept.source, [kept.latitude, kept.longitude]) == ("map", typed)
    assert 0.1 < distance_km(AMES, (kept.latitude, kept.longitude)) < 10
    assert page.get_by_text("Place to be confirmed").count() == 0

    page.set_viewport_size({"width": 390, "height": 844})
    assert page.locator("#place-map").bounding_box()["width"] < 390
    page.screenshot(path=tmp_path / "narrow.png", full_page=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.locator("h1").click()
    page.keyboard.press("/")
    page.keyboard.type("larkmor")
    page.keyboard.press("Enter")
    page.get_by_text("spelled much like it").wait_for()
    page.screenshot(path=tmp_path / "search.png", full_page=True)
    page.get_by_role("main").get_by_role("link", name="Larkmoor").click()
    page.get_by_role("heading", name="Larkmoor").wait_for()
