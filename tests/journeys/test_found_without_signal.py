"""Something found without signal, the kept pages of the day, and the office's answer on the open page."""

import pytest

from scheduling.models import FieldReport
from scheduling.visits import field_reports as service
from tests import factories as make
from tests import photo_files as files
from tests.journeys.phone_browser import (
    IS_KEPT,
    day_of_three,  # noqa: F401
    log_in,
    open_day_and_keep_it,
    page_of,
    phone,
    wait_until,
    watch,
)

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture(autouse=True)
def media(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path / "media"


def test_a_leak_found_without_signal_reaches_the_office_once_and_its_answer_the_open_page(
    browser, day, tmp_path
):
    url, technician, orders = day
    with phone(browser, tmp_path / "phone") as context:
        log_in(context, url, technician.person)
        tab = context.pages[0]
        errors = watch(tab)
        open_day_and_keep_it(tab, url, orders)
        for path in ("/guide/", "/stock/"):
            wait_until(lambda path=path: tab.evaluate(IS_KEPT, path), f"{path} kept")
        tab.get_by_text("6 of 6 pages kept for no signal, 0 to send.").wait_for()
        context.set_offline(True)
        for path in ("/guide/", "/stock/"):
            tab.goto(f"{url}{path}")
            tab.locator("h1").wait_for()
            assert "No signal" not in tab.locator("h1").inner_text()
        tab.goto(f"{url}/phone/visit/999999/")
        tab.get_by_role("link", name="My day").click()
        # A visit whose page was never opened.
        tab.goto(f"{url}{page_of(orders[2])}")
        tab.get_by_role("link", name="Found something").click()
        photo = {"name": "leak.jpg", "mimeType": "image/jpeg", "buffer": files.jpeg(2000, 1000)}
        tab.set_input_files("#found-photo", [photo])
        tab.locator("#found").get_by_role("button", name="Leak", exact=True).click()
        tab.get_by_text("It is sent when there is some.").wait_for()
        assert not FieldReport.objects.exists()
        tab.goto(f"{url}/phone/day/")
        tab.get_by_text("6 of 6 pages kept for no signal, 1 to send.").wait_for()
        context.set_offline(False)
        wait_until(FieldReport.objects.exists, "the leak at the office")
        tab.get_by_text("Not answered yet.").wait_for()
        tab.locator("#waiting").wait_for(state="hidden")
        row = FieldReport.objects.get()
        assert (row.kind, row.treatment_unit, row.image.width) == ("leak", orders[2].treatment_unit, 1600)
        service.answer(row, text="Shut the feed, we come.", by=make.person("planner"), now=row.received_at)
        tab.get_by_text("Shut the feed, we come.").wait_for()
        assert not errors


def test_a_shared_phone_shows_the_next_person_nothing_of_the_last(browser, day, tmp_path):
    url, technician, orders = day
    other = make.technician(branch=technician.branch)
    with phone(browser, tmp_path / "phone") as context:
        log_in(context, url, technician.person)
        tab = context.pages[0]
        open_day_and_keep_it(tab, url, orders)
        context.set_offline(True)
        tab.goto(f"{url}{page_of(orders[0])}")
        tab.get_by_role("link", name="Found something").click()
        tab.locator("#found").get_by_role("button", name="Leak", exact=True).click()
        tab.get_by_text("It is sent when there is some.").wait_for()
        context.set_offline(False)
        context.clear_cookies()
        log_in(context, url, other.person)
        tab.goto(f"{url}/phone/day/")
        tab.get_by_text("1 thing of somebody else").wait_for()
        assert orders[0].site.name not in tab.locator("main").inner_text()
        assert not tab.evaluate(IS_KEPT, page_of(orders[0]))
        assert not FieldReport.objects.exists()
        context.clear_cookies()
        log_in(context, url, technician.person)
        tab.goto(f"{url}/phone/day/")
        wait_until(FieldReport.objects.exists, "sent once its own person is back")
