"""A technician's phone for the journeys: a browser with a memory of its own, and a battery to take out."""

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

from scheduling.orders.steps import ensure_step_sheets
from tests import factories as make
from tests import photo_files as files
from tests import servers
from tests.browser import CHROMIUM_FLAGS, Error

PATIENCE_S = 90
"""How long a busy machine may take for what has to happen; nothing waits this long when it works."""
KEPT_DRAFTS = """() => new Promise((resolve, reject) => {
  const asked = indexedDB.open("tapward-phone");
  asked.onerror = reject;
  asked.onsuccess = () => {
    if (!asked.result.objectStoreNames.contains("drafts")) { asked.result.close(); resolve("[]"); return; }
    const all = asked.result.transaction("drafts").objectStore("drafts").getAll();
    all.onsuccess = () => { asked.result.close(); resolve(JSON.stringify(all.result)); };
    all.onerror = reject;
  };
})"""
"""What the phone has kept of unfinished forms, as text."""
IS_KEPT = "async (path) => Boolean(await (await caches.open('tapward-pages')).match(path))"


@pytest.fixture(name="day")
def day_of_three(live_server):
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
    for path in ("/phone/day/", *map(page_of, orders)):
        wait_until(lambda path=path: tab.evaluate(IS_KEPT, path), f"{path} kept")


def page_of(order) -> str:
    """The address of the visit to an order's stop."""
    return f"/phone/visit/{order.stops.get().stop_id}/"


def open_end(tab) -> None:
    """Unfold minutes, note, photos and signature."""
    tab.locator("#end").evaluate("(one) => { one.open = true; }")


def unfold(tab) -> None:
    """Open every phase of the work, one press each."""
    folded = tab.locator("details.phase:not([open]):not([hidden]) > summary")
    while folded.count():
        folded.first.click()


def fill_in(tab, order, *, lot: str) -> None:
    """Do what a technician does on the page of a visit, up to the last press."""
    tab.get_by_role("link", name=f"Open W{order.pk:06d}").click()
    tab.wait_for_url("**/phone/visit/**")
    unfold(tab)
    for box in tab.locator("input[name^=step__]:visible").all():
        box.check()
    tab.fill("[name=lot__carbon]", lot)
    tab.fill("[name=flush_volume]", "25")
    tab.fill("[name=flush_minutes]", "20")
    tab.check("[name=flush_clear][value=yes]")
    tab.check("[name=outcome][value=done]")


def close(tab, order, *, lot: str, photo: bytes = b"") -> None:
    fill_in(tab, order, lot=lot)
    if photo:
        add_photo(tab, 1, raw=photo)
    tab.get_by_role("button", name=f"Close out W{order.pk:06d}").click()
    tab.wait_for_url("**/phone/day/**")


def go_to(tab, address: str) -> None:
    """Open an address although the page may load itself anew at that very moment, once something was sent."""
    for _ in range(5):
        with suppress(Error):
            tab.goto(address)
            return
        tab.wait_for_load_state()
    tab.goto(address)


def wait_until(asked, what: str, seconds: float = PATIENCE_S) -> None:
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
    context.set_default_timeout(PATIENCE_S * 1000)
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


def add_photo(tab, count: int, *, name: str = "photo.jpg", raw: bytes | None = None) -> None:
    """Choose a photo, and wait until the phone has it."""
    raw = raw or files.jpeg(2000, 1000)
    tab.set_input_files("#photos", [{"name": name, "mimeType": "image/jpeg", "buffer": raw}])
    tab.get_by_text(f"{count} photo{'' if count == 1 else 's'} kept on this phone.").wait_for()


def wait_until_kept(tab, *texts: str) -> None:
    """Wait until what was typed lies in the browser's database."""

    def is_kept() -> bool:
        drafts = tab.evaluate(KEPT_DRAFTS)
        return all(text in drafts for text in texts)

    wait_until(is_kept, f"{texts} kept on the phone")
