"""Parts by camera in a real browser: a label fills the form, and where there is no camera typing stays."""

import pytest

from tests.journeys.phone_browser import (
    day_of_three,  # noqa: F401
    log_in,
    page_of,
    phone,
    unfold,
)

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

READS = """text => {
  window.BarcodeDetector = class {
    static async getSupportedFormats() { return ["qr_code", "code_128"]; }
    async detect() { return [{ rawValue: window.LABEL }]; }
  };
  navigator.mediaDevices.getUserMedia = async () => {
    const canvas = document.createElement("canvas");
    canvas.getContext("2d").fillRect(0, 0, 10, 10);
    return canvas.captureStream(5);
  };
}"""
"""Stands in for what this browser lacks here: a camera, and a reader of codes."""

NO_CAMERA = "navigator.mediaDevices.getUserMedia = async () => { throw new Error('no'); }"


@pytest.mark.parametrize(
    ("label", "lot", "serial", "told"),
    [
        ("TAPWARD-PART\n{kind}\nL-77\nS-1", "L-77", "S-1", "Taken from the label"),
        ("0123456789", "0123456789", "", "Read as lot"),
        ("TAPWARD-PART\nother\nL-1", "", "", "does not fit here"),
    ],
)
def test_a_scanned_label_fills_the_form(browser, day, tmp_path, label, lot, serial, told):
    url, technician, orders = day
    with phone(browser, tmp_path) as context:
        log_in(context, url, technician.person)
        tab = context.pages[0]
        tab.add_init_script(f"({READS})()")
        tab.goto(f"{url}{page_of(orders[0])}")
        unfold(tab)
        tab.evaluate("text => { window.LABEL = text; }", label.format(kind=orders[0].part.kind.code))
        tab.get_by_role("button", name="Scan the label").click()
        tab.get_by_text(told).wait_for()
        assert tab.input_value("[name=lot__carbon]") == lot
        assert tab.input_value("[name=serial__carbon]") == serial
        assert tab.locator("video").count() == 0


def test_where_the_browser_reads_no_codes_lot_and_serial_are_typed(browser, day, tmp_path):
    url, technician, orders = day
    with phone(browser, tmp_path) as context:
        log_in(context, url, technician.person)
        tab = context.pages[0]
        tab.add_init_script("delete window.BarcodeDetector")
        tab.goto(f"{url}{page_of(orders[0])}")
        unfold(tab)
        tab.locator("#submit:enabled").wait_for()
        assert tab.get_by_role("button", name="Scan the label").count() == 0
        tab.fill("[name=lot__carbon]", "TYPED")


def test_a_camera_that_is_refused_says_what_to_do(browser, day, tmp_path):
    url, technician, orders = day
    with phone(browser, tmp_path) as context:
        log_in(context, url, technician.person)
        tab = context.pages[0]
        tab.add_init_script(f"({READS})()")
        tab.add_init_script(NO_CAMERA)
        tab.goto(f"{url}{page_of(orders[0])}")
        unfold(tab)
        tab.get_by_role("button", name="Scan the label").click()
        tab.get_by_text("type lot and serial below").wait_for()
