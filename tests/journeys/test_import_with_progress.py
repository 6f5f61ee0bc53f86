"""Bringing a big spreadsheet in, in a real browser: progress, a reload, a stop by keyboard, then all."""

import threading

import pytest

from fleet.models import Customer
from scheduling.workbook import importing
from tests import factories as make
from tests.journeys.test_pages_of_work import as_person
from tests.scheduling.overview.test_pages_import import workbook

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_an_import_is_watched_reloaded_stopped_and_done_after_all(
    browser, live_server, settings, tmp_path, monkeypatch
):
    settings.DATA_DIR, settings.TASKS_BESIDE = tmp_path, True
    goes_on = threading.Event()
    prepare = importing.prepare

    def slow(source, *, now, by, on_progress):
        while not goes_on.wait(0.05):
            on_progress(0.4, "looking at customers: 500 of 1,000 rows")
        return prepare(source, now=now, by=by, on_progress=on_progress)

    monkeypatch.setattr(importing, "prepare", slow)
    make.treatment_unit()
    tab = as_person(browser.new_context(), live_server.url, make.person("planner"))
    tab.goto(f"{live_server.url}/import/")
    file = {"name": "fleet.xlsx", "mimeType": "application/octet-stream",
            "buffer": workbook(("C1", "First", "a@example.org")).read()}  # fmt: skip
    tab.set_input_files("input[name=workbook]", file)
    tab.click("text=Look at what would come of it")
    tab.wait_for_selector("text=Looking at customers: 500 of 1,000 rows")
    assert float(tab.get_attribute("progress", "value")) == pytest.approx(0.4)
    tab.reload()
    tab.wait_for_selector("text=Looking at customers: 500 of 1,000 rows")
    tab.focus("#stop-job")
    # The part is drawn anew every second; who works by keyboard stays on the button.
    with tab.expect_response(lambda answer: "/progress/" in answer.url):
        pass
    tab.wait_for_function("document.activeElement && document.activeElement.id === 'stop-job'")
    tab.keyboard.press("Enter")
    tab.wait_for_selector("text=Nothing was written.")
    assert not Customer.objects.filter(code="C1").exists()
    goes_on.set()
    tab.click("text=Look at it again")
    tab.click("text=Write 1 row")
    tab.wait_for_selector("text=1 row was written and the fleet assessed")
    assert Customer.objects.get(code="C1").name == "First"
    assert not tab.said
    tab.context.close()
