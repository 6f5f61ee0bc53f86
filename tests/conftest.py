"""What every test may use: the standing clock, the servers, the browser. Nothing is skipped in CI."""

import importlib
import os
from contextlib import ExitStack
from datetime import UTC, datetime

import pytest
from django.db import connection
from django.test import SimpleTestCase

from tests import servers

IN_CI = os.environ.get("CI", "").lower() == "true"
LEFT_OUT: list[str] = []
DATABASE_FIXTURES = frozenset({"db", "transactional_db", "live_server", "django_db_setup"})


def leave_out(why: str) -> None:
    """Skip for want of a service; in CI that is a failure."""
    if IN_CI:
        pytest.fail(f"In CI nothing is skipped: {why}")
    LEFT_OUT.append(why)
    pytest.skip(why)


def _touches_database(item: pytest.Item) -> bool:
    is_case = issubclass(getattr(item, "cls", None) or object, SimpleTestCase)
    marked = item.get_closest_marker("django_db") or item.get_closest_marker("sqlite")
    return bool(marked or is_case or DATABASE_FIXTURES.intersection(item.fixturenames))


def pytest_collection_modifyitems(config, items):
    """Mark journeys and what touches the database; leave out what is about the other database.

    Journeys go one after the other, two browsers would starve each other on two cores. What asks for no
    database answers the same on any, so CI runs it once: a test touches one by its mark or by a fixture
    below it.
    """
    for item in items:
        if item.get_closest_marker("browser"):
            item.add_marker(pytest.mark.xdist_group("browser"))
        if _touches_database(item):
            item.add_marker(pytest.mark.database)
    other = "sqlite" if connection.vendor == "postgresql" else "postgres"
    config.hook.pytest_deselected(items=[i for i in items if i.get_closest_marker(other)])
    items[:] = [i for i in items if not i.get_closest_marker(other)]


def pytest_terminal_summary(terminalreporter):
    """Say which journeys were left out and how to get them."""
    skipped = terminalreporter.stats.get("skipped", [])
    browser = [r for r in skipped if "Chromium" in str(r.longrepr)]
    if browser:
        terminalreporter.write_line(
            f"{len(browser)} browser journeys were left out: no Chromium here. "
            "On Debian: apt-get install chromium"
        )


@pytest.fixture
def now():
    """A standing moment."""
    return datetime(2026, 11, 2, 15, 0, tzinfo=UTC)


@pytest.fixture
def redis_url():
    """A Redis-compatible server of the tests' own."""
    try:
        return servers.redis_url()
    except servers.NoServer as error:
        leave_out(str(error))


@pytest.fixture(scope="session")
def browser():
    """The machine's own Chromium, driven without a download; its library is loaded for those who ask."""
    with ExitStack() as stack:
        try:
            started = stack.enter_context(importlib.import_module("tests.browser").chromium())
        except servers.NoServer as error:
            leave_out(str(error))
        yield started


@pytest.fixture
def page(browser):
    """A fresh page that fails the test on a console error."""
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    tab = context.new_page()
    errors: list[str] = []
    tab.on("console", lambda message: errors.append(message.text) if message.type == "error" else None)
    tab.on("pageerror", lambda error: errors.append(str(error)))
    yield tab
    context.close()
    assert not errors, f"The console said: {errors}"
