"""The description of the API in a real browser, under the strict policy: everything from our own address."""

import pytest
from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore
from django.urls import reverse

from tests import factories as make

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def log_in(page, live_server, person):
    session = SessionStore()
    session[SESSION_KEY] = person.pk
    session[BACKEND_SESSION_KEY] = "django.contrib.auth.backends.ModelBackend"
    session[HASH_SESSION_KEY] = person.get_session_auth_hash()
    session.create()
    page.context.add_cookies(
        [{"name": "sessionid", "value": session.session_key, "url": live_server.url, "httpOnly": True}]
    )


@pytest.fixture
def asked(page):
    """Every address the page asked for."""
    addresses = []
    page.on("request", lambda request: addresses.append(request.url))
    return addresses


def test_the_docs_page_draws_itself_from_our_own_files_and_can_be_tried_out(page, live_server, asked):
    where = make.site()
    log_in(page, live_server, make.person("planner", branch=where.branch))
    page.goto(live_server.url + reverse("api_docs"))
    block = page.locator("[id^=operations-][id$=-list_sites]")
    block.locator("button.opblock-summary-control").click()
    block.get_by_role("button", name="Try it out").click()
    block.get_by_role("button", name="Execute", exact=True).click()
    block.locator(".live-responses-table").get_by_text(where.code).first.wait_for()
    strangers = [url for url in asked if not url.startswith((live_server.url, "data:", "blob:"))]
    assert strangers == []


def test_a_token_is_made_and_revoked_by_hand(page, live_server):
    log_in(page, live_server, make.person("planner"))
    page.goto(live_server.url + reverse("own_tokens"))
    page.get_by_label("Which program will use it").fill("meter hub")
    page.get_by_label("see the fleet").check()
    page.get_by_role("button", name="Create token").click()
    assert page.locator("#new-token").inner_text().startswith("tapward_")
    page.on("dialog", lambda dialog: dialog.accept())
    page.get_by_role("button", name="Revoke meter hub").click()
    page.locator(".mark", has_text="Revoked").wait_for()
