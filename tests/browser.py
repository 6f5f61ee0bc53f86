"""The one place that imports the browser's libraries; without them all other tests still run."""

import contextlib
from collections.abc import Iterator

from tests import servers

try:
    from axe_playwright_python.sync_playwright import Axe
    from playwright.sync_api import Browser, Error, Page, expect, sync_playwright
except ImportError:
    Axe = Browser = Error = Page = expect = sync_playwright = None

__all__ = ["CHROMIUM_FLAGS", "Axe", "Error", "Page", "chromium", "expect", "sync_playwright"]
CHROMIUM_FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage",
]  # fmt: skip


@contextlib.contextmanager
def chromium() -> Iterator[Browser]:
    """Start the machine's own Chromium; NoServer where it or the library that drives it is missing."""
    path = servers.chromium_path()
    if sync_playwright is None:
        raise servers.NoServer("No library that drives Chromium here: pip install playwright.")
    with sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=path, args=CHROMIUM_FLAGS)
        yield started
        started.close()
