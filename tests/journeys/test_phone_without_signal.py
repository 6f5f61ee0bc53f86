"""A technician's day in a real browser: without signal, killed half-way, back again; everything sent once."""

import os
import signal
import time
from contextlib import contextmanager, suppress
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from django.conf import settings
from django.test import Client
from django.utils import timezone
from playwright.sync_api import Error

from fleet.models import Part
from scheduling.models import CloseOut, WorkOrder
from scheduling.services import work_orders as service
from scheduling.services.steps import ensure_step_sheets
from tests import factories as make
from tests import servers
from tests.conftest import CHROMIUM_FLAGS

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
IS_KEPT = "async (path) => Boolean(await (await caches.open('tapward-pages')).match(path))"


@pytest.fixture
def day(live_server):
    """Three carbon changes on today's route of one technician, and the addresses."""
    now = timezone.now()
    ensure_step_sheets(now)
    technician = make.technician()
    today = now.astimezone(ZoneInfo(technician.branch.time_zone)).date()
    orders = []
    for _ in range(3):
        unit = make.treatment_unit()
        part = make.part(make.position(unit, "carbon", 1), installed_at=now - timedelta(days=100))
        orders.append(
            make.work_order(
                unit, part=part, flush_minutes=20, window_from=today, window_to=today + timedelta(days=5),
                raised_at=now, changed_at=now,
            )
        )  # fmt: skip
    make.route(technician, orders, today)
    return live_server.url, technician, orders


def log_in(context, url: str, person) -> None:
    """Give the browser the session a log-in would."""
    client = Client()
    client.force_login(person)
    lasts = time.time() + 86_400
    value = client.cookies[settings.SESSION_COOKIE_NAME].value
    context.add_cookies(
        [{"name": settings.SESSION_COOKIE_NAME, "value": value, "url": url, "expires": lasts}]
    )


def watch(tab) -> list[str]:
    """Collect what a page throws."""
    errors: list[str] = []
    tab.on("pageerror", lambda error: errors.append(str(error)))
    return errors


def open_day_and_keep_it(tab, url: str, orders) -> None:
    tab.goto(f"{url}/phone/day/")
    tab.evaluate("async () => { await navigator.serviceWorker.ready }")
    for path in ("/phone/day/", *(f"/phone/close-out/{order.pk}/" for order in orders)):
        wait_until(lambda path=path: tab.evaluate(IS_KEPT, path), f"{path} kept")


def fill_in(tab, order, *, lot: str) -> None:
    """Do what a technician does on the close-out page, up to the last press."""
    tab.get_by_role("link", name=f"Open W{order.pk:06d}").click()
    for box in tab.locator("input[name^=step__]").all():
        box.check()
    tab.fill("[name=lot__carbon]", lot)
    tab.fill("[name=flush_volume]", "25")
    tab.fill("[name=flush_minutes]", "20")
    tab.check("[name=flush_clear][value=yes]")
    tab.check("[name=outcome][value=done]")


def close(tab, order, *, lot: str) -> None:
    fill_in(tab, order, lot=lot)
    tab.get_by_role("button", name=f"Close out W{order.pk:06d}").click()
    tab.wait_for_url("**/phone/day/**")


def go_to(tab, address: str) -> None:
    """Open an address although the page may load itself anew at that very moment, once something was sent."""
    try:
        tab.goto(address)
    except Error:
        tab.wait_for_timeout(1000)
        tab.goto(address)


def wait_until(asked, what: str, seconds: float = 20) -> None:
    ends = time.monotonic() + seconds
    while time.monotonic() < ends:
        if asked():
            return
        time.sleep(0.2)
    pytest.fail(f"Waited {seconds:.0f} s in vain: {what}")


@contextmanager
def phone(browser, folder: Path, **given):
    """A browser whose memory lies in a folder, as a phone's does."""
    context = browser.browser_type.launch_persistent_context(
        str(folder), executable_path=servers.chromium_path(), args=CHROMIUM_FLAGS,
        viewport={"width": 390, "height": 800}, **given,
    )  # fmt: skip
    try:
        yield context
    finally:
        # A killed browser has closed it already.
        with suppress(Error):
            context.close()


def kill(folder: Path) -> None:
    """Take the battery out: end every process of the browser that uses this folder."""
    mine = f"--user-data-dir={folder}".encode()
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                words = (entry / "cmdline").read_bytes()
            except OSError:
                continue
            if mine in words.split(b"\0"):
                os.kill(int(entry.name), signal.SIGKILL)


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
            close(tab, order, lot=f"L{number}")
            assert "kept on this phone" in tab.locator("#day").inner_text()
        tab.locator("#waiting-rows > li").nth(2).wait_for()
        assert tab.locator("#waiting-rows > li").count() == 3
        assert not errors
        kill(tmp_path)
    assert not CloseOut.objects.exists()

    with phone(browser, tmp_path, offline=True) as context:
        tab = context.pages[0]
        tab.goto(f"{url}/phone/day/")
        tab.locator("#waiting-rows > li").nth(2).wait_for()
        log_in(context, url, technician.person)
        context.set_offline(False)
        wait_until(lambda: CloseOut.objects.count() == 3, "three close-outs on the server")
        other = context.new_page()
        for again in (tab, other):
            go_to(again, f"{url}/phone/day/")
            again.locator("#waiting").wait_for(state="hidden")
    rows = CloseOut.objects.order_by("finished_at")
    assert [row.order_id for row in rows] == [order.pk for order in orders]
    for number, order in enumerate(orders, start=1):
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
        tab.fill("[name=note]", "Valve is stiff")
        tab.wait_for_timeout(500)
        kill(tmp_path)
    with phone(browser, tmp_path, offline=True) as context:
        tab = context.pages[0]
        tab.goto(f"{url}/phone/close-out/{orders[0].pk}/")
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
        row.first.wait_for()
        assert row.count() == 1
        assert "Customer left." in row.inner_text()
        row.get_by_role("link", name="Open").click()
        tab.get_by_text("nothing is lost").wait_for()
        assert tab.input_value("[name=lot__carbon]") == "L1"
        service.reopen(order, by=None, reason="It was done.", now=timezone.now())
        tab.get_by_role("button", name=f"Close out W{order.pk:06d}").click()
        wait_until(lambda: CloseOut.objects.filter(order=order).count() == 1, "sent after reopening")


def test_a_missing_tick_is_told_before_anything_is_sent(browser, day, tmp_path):
    url, technician, orders = day
    with phone(browser, tmp_path) as context:
        log_in(context, url, technician.person)
        tab = context.pages[0]
        tab.goto(f"{url}/phone/day/")
        fill_in(tab, orders[0], lot="L1")
        tab.uncheck("[name=step__lock_out]")
        tab.get_by_role("button", name="Close out").click()
        tab.get_by_text("1 thing to mend").wait_for()
        assert "guards people" in tab.locator("#kept").inner_text()
        assert not CloseOut.objects.exists()


def test_the_clock_counts_water_and_goes_on_when_the_page_is_opened_again(browser, day, tmp_path):
    url, technician, orders = day
    with phone(browser, tmp_path) as context:
        log_in(context, url, technician.person)
        tab = context.pages[0]
        address = f"{url}/phone/close-out/{orders[0].pk}/"
        tab.goto(address)
        tab.fill("[name=flush_flow]", "60")
        tab.get_by_role("button", name="Start the clock").click()
        tab.wait_for_timeout(1200)
        tab.goto(address)
        tab.get_by_role("button", name="Stop the clock").wait_for()
        tab.wait_for_timeout(800)
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
        tab.wait_for_timeout(300)
        tab.get_by_role("button", name="Log out").click()
        tab.wait_for_url("**/log-in/**")
        assert not tab.evaluate(IS_KEPT, "/phone/day/")
        log_in(context, url, technician.person)
        tab.goto(f"{url}/phone/close-out/{orders[0].pk}/")
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
