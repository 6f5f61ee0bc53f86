"""Every address asks the roles table: no page without a rule, and each role gets what the table says."""

import pytest
from django.urls import URLPattern, URLResolver, get_resolver

from fleet.models import Person, PersonRole
from shared.roles import ROLES, Permission, Role, may

OPEN_TO_STRANGERS = {
    "log_in", "second_factor", "log_out", "phone_worker", "phone_manifest", "healthz", "readyz", "metrics",
}  # fmt: skip
"""For those who are not logged in: the phone's shell holds no data, the three for watching machines name
nobody and /metrics asks for its token or this machine; the code's page asks for the password first."""
OPEN_TO_ALL_WHO_LOG_IN = {
    "home", "search", "guide", "guide_of", "how_we_know", "own_settings", "own_log_in", "change_own_password",
    "end_own_sessions", "set_up_second_factor", "remove_second_factor", "renew_recovery_codes",
}  # fmt: skip
"""Sends each role to its own page; search shows each what that person may see; guides and laws
are no secret; settings and log-in are the asker's own."""
GUARDED_ELSEWHERE = ("api/", "admin/")
"""The API has its own table and its own walk."""


def pages(patterns=None, prefix=""):
    """Yield (address, name, view) of every page."""
    for entry in patterns if patterns is not None else get_resolver().url_patterns:
        address = prefix + str(entry.pattern)
        if address.startswith(GUARDED_ELSEWHERE):
            continue
        if isinstance(entry, URLResolver):
            yield from pages(entry.url_patterns, address)
        elif isinstance(entry, URLPattern):
            yield address, entry.name, entry.callback


ALL_PAGES = list(pages())


@pytest.mark.parametrize(("address", "name", "view"), ALL_PAGES, ids=[p[0] or "/" for p in ALL_PAGES])
def test_every_page_names_what_it_requires(address, name, view):
    if name in OPEN_TO_STRANGERS | OPEN_TO_ALL_WHO_LOG_IN or getattr(view, "is_open_by_secret", False):
        return
    assert isinstance(getattr(view, "required_permission", None), Permission), f"{address} asks nobody"


@pytest.mark.django_db
@pytest.mark.parametrize("role", list(Role))
@pytest.mark.parametrize(
    ("address", "name", "view"),
    [p for p in ALL_PAGES if "<" not in p[0] and getattr(p[2], "required_permission", None)],
    ids=[p[0] or "/" for p in ALL_PAGES if "<" not in p[0] and getattr(p[2], "required_permission", None)],
)
def test_each_role_gets_what_the_table_says(client, role, address, name, view):
    client.force_login(Person.objects.create(username=role, role=PersonRole(role)))
    answer = client.get(f"/{address}")
    answer.close()
    if may(role, view.required_permission):
        assert answer.status_code in (200, 302, 304, 400, 404, 405), answer.status_code
    else:
        assert answer.status_code == 403


@pytest.mark.django_db
@pytest.mark.parametrize(
    "address", [p[0] for p in ALL_PAGES if "<" not in p[0] and getattr(p[2], "required_permission", None)]
)
def test_a_stranger_is_sent_to_the_log_in(client, address):
    answer = client.get(f"/{address}")
    assert answer.status_code == 302
    assert "/log-in/" in answer.headers["Location"]


def test_a_technician_sees_no_money_and_a_planner_no_margins():
    assert not may(Role.TECHNICIAN, Permission.SEE_REVENUE)
    assert not may(Role.TECHNICIAN, Permission.SEE_MARGINS)
    assert not may(Role.PLANNER, Permission.SEE_MARGINS)
    assert ROLES[Role.OWNER].may == frozenset(Permission)


def test_an_unknown_role_may_nothing():
    assert not any(may("somebody", permission) for permission in Permission)
