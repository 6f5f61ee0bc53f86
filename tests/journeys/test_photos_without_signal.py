"""Photos and a signature in a real browser: without signal, killed, back again; everything kept once."""

import json
from io import BytesIO

import pytest
from PIL import Image

from scheduling.models import CloseOut, CloseOutPhoto
from tests import photo_files as files
from tests.journeys.phone_browser import (
    IS_KEPT,
    add_photo,
    day_of_three,  # noqa: F401
    fill_in,
    go_to,
    kill,
    log_in,
    open_day_and_keep_it,
    open_end,
    page_of,
    phone,
    wait_until,
    wait_until_kept,
    watch,
)

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

KEPT_PHOTO = """() => new Promise((resolve, reject) => {
  const asked = indexedDB.open("tapward-phone");
  asked.onerror = reject;
  asked.onsuccess = () => {
    const all = asked.result.transaction("photos").objectStore("photos").getAll();
    const text = async () => new TextDecoder("latin1").decode(await all.result[0].blob.arrayBuffer());
    all.onsuccess = () => text().then(resolve, reject);
  };
})"""
"""What lies in the browser's database of the first photo, byte by byte."""


@pytest.fixture(autouse=True)
def media(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path / "media"


def sign(tab) -> None:
    """Draw one stroke across the box."""
    open_end(tab)
    tab.locator("#signing > summary").click()
    tab.locator("#pen").scroll_into_view_if_needed()
    tab.locator("#pen").evaluate("(pen) => pen.scrollIntoView({ block: 'center' })")
    box = tab.locator("#pen").bounding_box()
    tab.mouse.move(box["x"] + box["width"] * 0.2, box["y"] + box["height"] * 0.5)
    tab.mouse.down()
    tab.mouse.move(box["x"] + box["width"] * 0.8, box["y"] + box["height"] * 0.5, steps=8)
    tab.mouse.up()


def test_a_close_out_with_photos_and_a_signature_survives_a_flat_battery_and_arrives_once(
    browser, day, tmp_path
):
    url, technician, orders = day
    order = orders[0]
    with phone(browser, tmp_path / "phone") as context:
        log_in(context, url, technician.person)
        tab = context.pages[0]
        errors = watch(tab)
        open_day_and_keep_it(tab, url, orders)
        context.set_offline(True)
        fill_in(tab, order, lot="L1")
        add_photo(tab, 1)
        add_photo(tab, 2, raw=files.jpeg(300, 200))
        sign(tab)
        assert tab.input_value("[name=signature]").startswith("[[[")
        wait_until_kept(tab, "L1", "[[[")
        assert not errors
        with context.expect_event("close"):
            kill(tmp_path / "phone")

    with phone(browser, tmp_path / "phone", offline=True) as context:
        tab = context.pages[0]
        errors = watch(tab)
        tab.goto(f"{url}{page_of(order)}")
        tab.get_by_text("What you typed before is here again").wait_for()
        tab.locator("#photo-rows img").nth(1).wait_for()
        assert tab.input_value("[name=signature]").startswith("[[[")
        assert not errors
        assert not CloseOut.objects.exists()
        log_in(context, url, technician.person)
        context.set_offline(False)
        tab.get_by_role("button", name="Close out").click()
        wait_until(lambda: CloseOutPhoto.objects.count() == 2, "two photos on the server")
        other = context.new_page()
        for again in (tab, other):
            go_to(again, f"{url}/phone/day/")
            again.locator("#waiting").wait_for(state="hidden")
        go_to(tab, f"{url}{page_of(order)}")
        picture = tab.locator("img[alt='Photo 1 of this visit']")
        picture.scroll_into_view_if_needed()
        wait_until(
            lambda: picture.evaluate("(one) => one.naturalWidth") == 1600, "the photo shown to who took it"
        )
    row = CloseOut.objects.get()
    assert row.order_id == order.pk
    assert CloseOutPhoto.objects.count() == 2
    first = row.photos.order_by("taken_at").first()
    with first.image.open("rb") as file:
        content = file.read()
    assert Image.open(BytesIO(content)).size == (1600, 800)
    assert b"SECRET" not in content
    # Straight across the middle of a box that is 1000 wide and 360 high.
    (stroke,) = json.loads(row.signature)
    assert stroke[0] == pytest.approx([200, 180], abs=8)
    assert stroke[-1] == pytest.approx([800, 180], abs=8)


def test_what_the_phone_keeps_of_a_photo_holds_no_place(browser, day, tmp_path):
    url, technician, orders = day
    with phone(browser, tmp_path / "phone") as context:
        log_in(context, url, technician.person)
        tab = context.pages[0]
        tab.goto(f"{url}/phone/day/")
        fill_in(tab, orders[0], lot="L1")
        add_photo(tab, 1)
        kept = tab.evaluate(KEPT_PHOTO)
    assert "JFIF" in kept
    assert "SECRET" not in kept
    assert "Exif" not in kept


def test_a_photo_and_a_signature_can_be_taken_back_and_a_text_is_no_photo(browser, day, tmp_path):
    url, technician, orders = day
    with phone(browser, tmp_path / "phone") as context:
        log_in(context, url, technician.person)
        tab = context.pages[0]
        tab.goto(f"{url}/phone/day/")
        fill_in(tab, orders[0], lot="L1")
        add_photo(tab, 1)
        tab.set_input_files(
            "#photos", [{"name": "note.jpg", "mimeType": "image/jpeg", "buffer": b"no photo"}]
        )
        tab.get_by_text("Not taken: note.jpg").wait_for()
        tab.get_by_role("button", name="Remove photo 1").click()
        tab.get_by_text("Photo 1 is removed.").wait_for()
        sign(tab)
        tab.get_by_role("button", name="Clear the signature").click()
        assert tab.input_value("[name=signature]") == ""
        tab.get_by_role("button", name="Close out").click()
        tab.wait_for_url("**/phone/day/**")
        wait_until(CloseOut.objects.exists, "closed")
        tab.locator("#waiting").wait_for(state="hidden")
    assert CloseOut.objects.get().signature == ""
    assert not CloseOutPhoto.objects.exists()


def test_logging_out_on_any_page_takes_the_kept_pages_from_the_phone(browser, day, tmp_path):
    url, technician, orders = day
    with phone(browser, tmp_path / "phone") as context:
        log_in(context, url, technician.person)
        tab = context.pages[0]
        open_day_and_keep_it(tab, url, orders)
        tab.goto(f"{url}/stock/")
        assert tab.evaluate(IS_KEPT, "/phone/day/")
        tab.get_by_role("button", name="Log out").click()
        tab.wait_for_url("**/log-in/**")
        assert not tab.evaluate(IS_KEPT, "/phone/day/")
