"""A technician's day in a real browser: without signal, killed half-way, back again; everything sent once."""

import pytest
from django.utils import timezone

from fleet.models import Part
from scheduling.models import CloseOut, CloseOutPhoto, WorkOrder
from scheduling.orders import work_orders as service
from tests import photo_files as files
from tests.journeys.phone_browser import (
    IS_KEPT,
    close,
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


def test_three_orders_closed_without_signal_survive_a_flat_battery_and_are_sent_once(browser, day, tmp_path):
    url, technician, orders = day
    with phone(browser, tmp_path) as context:
        log_in(context, url, technician.person)
        tab = context.pages[0]
        errors = watch(tab)
        open_day_and_keep_it(tab, url, orders)
        context.set_offline(True)
        tab.reload()
        for number, order in enumerate(orders, start=1):
            close(tab, order, lot=f"L{number}", photo=files.jpeg(300 + number, 200))
            assert "kept on this phone" in tab.locator("#day").inner_text()
        tab.locator("#waiting-rows > li").nth(2).wait_for()
        assert tab.locator("#waiting-rows > li").count() == 3
        assert not errors
        with context.expect_event("close"):
            kill(tmp_path)
    assert not CloseOut.objects.exists()

    with phone(browser, tmp_path, offline=True) as context:
        tab = context.pages[0]
        tab.goto(f"{url}/phone/day/")
        tab.locator("#waiting-rows > li").nth(2).wait_for()
        log_in(context, url, technician.person)
        context.set_offline(False)
        wait_until(lambda: CloseOut.objects.count() == 3, "three close-outs on the server")
        wait_until(lambda: CloseOutPhoto.objects.count() == 3, "their three photos on the server")
        other = context.new_page()
        for again in (tab, other):
            go_to(again, f"{url}/phone/day/")
            again.locator("#waiting").wait_for(state="hidden")
    rows = CloseOut.objects.order_by("finished_at")
    assert [row.order_id for row in rows] == [order.pk for order in orders]
    for number, order in enumerate(orders, start=1):
        photo = CloseOutPhoto.objects.get(close_out__order=order)
        assert photo.image.width == 300 + number
        assert Part.objects.in_place().get(position=order.part.position).lot == f"L{number}"
        assert Part.objects.filter(position=order.part.position).count() == 2


def test_what_is_typed_is_there_again_after_a_flat_battery(browser, day, tmp_path):
    url, technician, orders = day
    with phone(browser, tmp_path) as context:
        log_in(context, url, technician.person)
        tab = context.pages[0]
        open_day_and_keep_it(tab, url, orders)
        context.set_offline(True)
        fill_in(tab, orders[0], lot="HALF-TYPED")
        open_end(tab)
        tab.fill("[name=note]", "Valve is stiff")
        wait_until_kept(tab, "HALF-TYPED", "Valve is stiff")
        with context.expect_event("close"):
            kill(tmp_path)
    with phone(browser, tmp_path, offline=True) as context:
        tab = context.pages[0]
        tab.goto(f"{url}{page_of(orders[0])}")
        tab.get_by_text("What you typed before is here again").wait_for()
        assert tab.input_value("[name=note]") == "Valve is stiff"
        assert tab.input_value("[name=lot__carbon]") == "HALF-TYPED"
        assert tab.is_checked("[name=step__lock_out]")


def test_an_order_withdrawn_meanwhile_is_shown_to_a_person_and_stays_on_the_phone(browser, day, tmp_path):
    url, technician, orders = day
    with phone(browser, tmp_path) as context:
        log_in(context, url, technician.person)
        tab = context.pages[0]
        open_day_and_keep_it(tab, url, orders)
        context.set_offline(True)
        close(tab, orders[0], lot="L1")
        close(tab, orders[1], lot="L2")
        order = WorkOrder.objects.get(pk=orders[0].pk)
        service.withdraw(order, by=None, reason="Customer left.", now=timezone.now())
        context.set_offline(False)
        wait_until(lambda: CloseOut.objects.filter(order=orders[1]).exists(), "the other order closed")
        go_to(tab, f"{url}/phone/day/")
        row = tab.locator("#waiting-rows > li")
        tab.locator("#waiting-rows > li:has(p.problem)").wait_for()
        # A page left before the answer came sends the other once more, and loads itself anew when it is in.
        row.nth(1).wait_for(state="detached")
        go_to(tab, f"{url}/phone/day/")
        row.first.wait_for()
        assert row.count() == 1
        assert "Customer left." in row.inner_text()
        row.get_by_role("link", name="Open").click()
        tab.get_by_text("nothing is lost").wait_for()
        assert tab.input_value("[name=lot__carbon]") == "L1"
        service.reopen(order, by=None, reason="It was done.", now=timezone.now())
        tab.get_by_role("button", name=f"Close out W{order.pk:06d}").click()
        wait_until(lambda: CloseOut.objects.filter(order=order).count() == 1, "sent after reopening")


def test_of_two_reports_of_one_order_the_later_stands_beside_what_the_office_has(browser, day, tmp_path):
    url, technician, orders = day
    with phone(browser, tmp_path / "one") as late, phone(browser, tmp_path / "two") as early:
        for context in (late, early):
            log_in(context, url, technician.person)
            open_day_and_keep_it(context.pages[0], url, orders)
        tab = late.pages[0]
        late.set_offline(True)
        close(tab, orders[0], lot="L1")
        close(early.pages[0], orders[0], lot="L2")
        wait_until(lambda: CloseOut.objects.filter(order=orders[0]).exists(), "the other report taken")
        late.set_offline(False)
        go_to(tab, f"{url}/phone/day/")
        # The office's answer first: opened sooner, the report is still on its way.
        tab.locator("#waiting-rows > li:has(p.problem)").get_by_role("link", name="Open").click()
        tab.get_by_role("heading", name="What the office has").wait_for()
        assert "L2" in tab.locator("#office-copy").inner_text()
        tab.locator(".choose-copy").wait_for()
        assert tab.input_value("[name=lot__carbon]") == "L1"
        assert CloseOut.objects.filter(order=orders[0]).count() == 1


def test_a_missing_tick_is_told_before_anything_is_sent(browser, day, tmp_path):
    url, technician, orders = day
    with phone(browser, tmp_path) as context:
        log_in(context, url, technician.person)
        tab = context.pages[0]
        tab.goto(f"{url}/phone/day/")
        fill_in(tab, orders[0], lot="L1")
        tab.uncheck("[name=step__lock_out]")
        tab.get_by_role("button", name="Close out").click()
        tab.get_by_text("1 error to fix").wait_for()
        assert "is safety-critical" in tab.locator("#kept").inner_text()
        assert not CloseOut.objects.exists()


def wait_until_shown(tab, seconds: str) -> None:
    """Wait until the clock shows so many seconds or more."""
    shown = "(least) => Number(document.querySelector('.timer-time').textContent.split(':')[1]) >= least"
    tab.wait_for_function(shown, arg=int(seconds))


def test_the_clock_counts_water_and_goes_on_when_the_page_is_opened_again(browser, day, tmp_path):
    url, technician, orders = day
    with phone(browser, tmp_path) as context:
        log_in(context, url, technician.person)
        tab = context.pages[0]
        address = f"{url}{page_of(orders[0])}"
        tab.goto(address)
        tab.locator("details.phase:has(.timer) > summary").first.click()
        tab.locator("details.by-clock > summary").click()
        tab.fill("[name=flush_flow]", "60")
        tab.get_by_role("button", name="Start the clock").click()
        wait_until_shown(tab, "1")
        wait_until_kept(tab, "timer_started")
        tab.goto(address)
        tab.get_by_role("button", name="Stop the clock").wait_for()
        wait_until_shown(tab, "3")
        tab.get_by_role("button", name="Stop the clock").click()
        minutes = float(tab.input_value("[name=flush_minutes]"))
        gallons = float(tab.input_value("[name=flush_volume]"))
        assert gallons >= 2  # 60 gpm is a gallon a second
        assert gallons == pytest.approx(60 * minutes, abs=3.1)


def test_logging_out_takes_the_pages_from_the_phone_but_not_what_was_typed(browser, day, tmp_path):
    url, technician, orders = day
    with phone(browser, tmp_path) as context:
        log_in(context, url, technician.person)
        tab = context.pages[0]
        open_day_and_keep_it(tab, url, orders)
        fill_in(tab, orders[0], lot="STAYS")
        wait_until_kept(tab, "STAYS")
        tab.get_by_role("button", name="Log out").click()
        tab.wait_for_url("**/log-in/**")
        assert not tab.evaluate(IS_KEPT, "/phone/day/")
        log_in(context, url, technician.person)
        tab.goto(f"{url}{page_of(orders[0])}")
        tab.get_by_text("What you typed before is here again").wait_for()
        assert tab.input_value("[name=lot__carbon]") == "STAYS"


def test_the_page_works_without_script(browser, day):
    url, technician, orders = day
    context = browser.new_context(java_script_enabled=False, viewport={"width": 320, "height": 700})
    log_in(context, url, technician.person)
    tab = context.new_page()
    tab.goto(f"{url}/phone/day/")
    close(tab, orders[0], lot="PLAIN")
    assert "is closed" in tab.locator("main").inner_text()
    assert CloseOut.objects.get().finished_at <= timezone.now()
    context.close()


HOLDS_NOTHING = "IDBFactory.prototype.open = () => { throw new Error('full'); }"


@pytest.fixture(autouse=True)
def media(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path / "media"


def test_before_its_script_is_there_a_form_cannot_be_sent_and_afterwards_it_can(browser, day, tmp_path):
    url, technician, orders = day
    held = []
    with phone(browser, tmp_path / "phone", service_workers="block") as context:
        log_in(context, url, technician.person)
        tab = context.pages[0]
        tab.route("**/phone/visit.js", lambda route: held.append(route))
        tab.goto(f"{url}{page_of(orders[0])}", wait_until="commit")
        button = tab.locator("#submit")
        button.wait_for()
        assert button.is_disabled()
        assert button.inner_text() == "Getting ready…"
        open_end(tab)
        tab.fill("[name=note]", "typed before the script")
        tab.fill("[name=minutes]", "25")
        tab.press("[name=minutes]", "Enter")
        context.set_offline(True)
        wait_until(lambda: held, "the script asked for")
        held[0].continue_()
        tab.locator("#submit:disabled").wait_for()
        assert tab.input_value("[name=note]") == "typed before the script"
        assert tab.url.endswith(page_of(orders[0]))
    assert not CloseOut.objects.exists()


def test_a_form_sent_without_signal_by_a_browser_that_keeps_nothing_comes_back_whole(browser, day, tmp_path):
    url, technician, orders = day
    with phone(browser, tmp_path / "phone") as context:
        log_in(context, url, technician.person)
        tab = context.pages[0]
        open_day_and_keep_it(tab, url, orders)
        tab.add_init_script(HOLDS_NOTHING)
        tab.goto(f"{url}/phone/day/")
        tab.get_by_role("link", name=f"Open W{orders[0].pk:06d}").wait_for()
        fill_in(tab, orders[0], lot="HELD")
        open_end(tab)
        tab.fill("[name=note]", 'Two lines: "a" <b>\n& c')
        context.set_offline(True)
        tab.get_by_role("button", name=f"Close out W{orders[0].pk:06d}").click()
        tab.get_by_text("No signal, nothing sent yet").wait_for()
        assert not CloseOut.objects.exists()
        context.set_offline(False)
        tab.get_by_role("button", name="Send it now").click()
        wait_until(CloseOut.objects.exists, "closed once there was signal")
    row = CloseOut.objects.get()
    assert row.note.splitlines() == ['Two lines: "a" <b>', "& c"]
    assert Part.objects.in_place().get(position=orders[0].part.position).lot == "HELD"
