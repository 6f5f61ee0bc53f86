"""Makes the pictures of the guides from the invented company: ``python -m tests.guide_pictures``.

Wants Chromium and about a minute; writes ``shared/static/tapward/guide/*.webp``. Run it when a pictured
page has changed, look at the result, and commit it. What is on the pictures is invented.
"""

import io
import os
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from urllib.request import urlopen

from PIL import Image

from tests import servers
from tests.browser import CHROMIUM_FLAGS, Page, sync_playwright

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / "shared" / "static" / "tapward" / "guide"
DESK, PHONE = (1280, 740), (390, 720)
"""What the browser shows; desk pictures are made smaller, to 900 by 520."""
QUALITY = 55
LINE = re.compile(r"^  \w+\s+(planner|technician|owner)\s+(\S+)$", re.MULTILINE)


def main() -> None:
    """Make the demo, serve it, walk through it as each person."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as home:
        env = {k: v for k, v in os.environ.items() if k not in ("DATABASE_URL", "REDIS_URL")}
        env |= {"TAPWARD_DATA_DIR": f"{home}/demo", "TAPWARD_COMPANY": "Clearrun Water Care (invented)"}
        manage = [sys.executable, "manage.py"]
        made = subprocess.run(
            [*manage, "demo", "--no-serve"], cwd=ROOT, env=env, check=True, capture_output=True, text=True
        )
        words = dict(LINE.findall(made.stdout))
        port = servers.free_port()
        serve = subprocess.Popen([*manage, "runserver", f"127.0.0.1:{port}", "--noreload"], cwd=ROOT, env=env)
        try:
            wait_until_served(f"http://127.0.0.1:{port}/healthz")
            walk(f"http://127.0.0.1:{port}", words)
        finally:
            serve.terminate()
            serve.wait()


def wait_until_served(address: str, patience_s: float = 60) -> None:
    """Return once the server answers."""
    ends = time.monotonic() + patience_s
    while True:
        try:
            with urlopen(address, timeout=5):
                return
        except OSError:
            if time.monotonic() > ends:
                raise
            time.sleep(0.2)


def walk(url: str, words: dict[str, str]) -> None:
    """Take the pictures, in the order of the guides."""
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=servers.chromium_path(), args=CHROMIUM_FLAGS)
        try:
            as_planner(enter(browser, url, "planner", words, DESK), url)
            as_technician(enter(browser, url, "technician", words, PHONE))
            as_owner(enter(browser, url, "owner", words, DESK), url)
        finally:
            browser.close()


def as_planner(tab: Page, url: str) -> None:
    tab.goto(f"{url}/overview/")
    keep(tab, "planner-overview")
    tab.locator("main .rows a.serial").nth(6).click()
    keep(tab, "planner-unit")
    tab.goto(f"{url}/plans/")
    tab.locator("table.stack tbody th a").first.click()
    tab.locator("table.board").scroll_into_view_if_needed()
    keep(tab, "planner-week", at=".figures")


def as_technician(tab: Page) -> None:
    tab.locator("nav[aria-label='Other days'] a").first.click()
    keep(tab, "technician-day", at="details.card")
    tab.locator("a.thumb").first.click()
    keep(tab, "technician-steps", at=".phase")
    flush = tab.locator(".phase:has(.timer)").first
    flush.evaluate("one => { one.open = true; one.querySelector('.by-clock').open = true; }")
    flush.locator("[name$=flush_flow]").fill("1.25")
    flush.locator(".timer-start").click()
    keep(tab, "technician-flush", at=".flush")


def as_owner(tab: Page, url: str) -> None:
    for address, name in (
        ("/revenue/", "owner-revenue"),
        ("/revenue/margins/", "owner-margin"),
        ("/revenue/risk/", "owner-risk"),
        ("/operations/", "operator-operations"),
    ):
        answer = tab.goto(f"{url}{address}")
        if answer is None or not answer.ok:
            raise SystemExit(f"{address} does not answer.")
        keep(tab, name)


def enter(browser, url: str, name: str, words: dict[str, str], size: tuple[int, int]) -> Page:
    """Log in with a browser of one's own."""
    look = {"viewport": {"width": size[0], "height": size[1]}, "color_scheme": "light"}
    tab = browser.new_context(**look, service_workers="block").new_page()
    tab.goto(f"{url}/log-in/", wait_until="networkidle")
    tab.fill("[name=username]", name)
    tab.fill("[name=password]", words[name])
    tab.click("button[type=submit]")
    tab.wait_for_url(lambda address: "/log-in/" not in address)
    return tab


def keep(tab: Page, name: str, at: str = "") -> None:
    """Keep what the window shows, with one thing at its top."""
    tab.wait_for_load_state("networkidle")
    if at:
        tab.locator(at).first.evaluate("one => one.scrollIntoView({block: 'start'})")
    picture = Image.open(io.BytesIO(tab.screenshot()))
    if picture.width > 900:
        picture = picture.resize((900, 520), Image.Resampling.LANCZOS)
    picture.convert("RGB").save(FOLDER / f"{name}.webp", quality=QUALITY, method=6)


if __name__ == "__main__":
    main()
