"""The navigation: each role is led to what it may see, the pages of every day first."""

import pytest
from django.urls import NoReverseMatch, get_resolver, reverse

from fleet.display.navigation import DAILY, GROUPS, navigation
from fleet.models import PersonRole
from shared.roles import Permission, Role, may
from tests import factories as make

ENTRIES = [*DAILY, *(page for _words, pages in GROUPS for page in pages)]


def for_role(role: str, here: str = ""):
    return navigation({one.name.lower(): may(role, one) for one in Permission}, here)


def known_names() -> set[str]:
    def walk(patterns):
        for one in patterns:
            yield from walk(one.url_patterns) if hasattr(one, "url_patterns") else [one.name]

    return set(walk(get_resolver().url_patterns))


def test_every_entry_leads_to_a_page_and_names_only_pages_there_are():
    for page in ENTRIES:
        try:
            reverse(page.name)
        except NoReverseMatch:
            pytest.fail(f"{page.name} leads nowhere")
    named = {name for page in ENTRIES for name in page.also.split()}
    assert named <= known_names()


def test_every_need_is_a_permission():
    known = {one.name.lower() for one in Permission}
    for page in ENTRIES:
        assert {*page.needs.split(), *page.not_with.split()} <= known, page.name


@pytest.mark.django_db
@pytest.mark.parametrize("role", list(Role))
def test_a_role_may_open_every_page_it_is_led_to(client, role):
    client.force_login(make.person(PersonRole(role)))
    daily, groups = for_role(role)
    for link in [*daily, *(link for group in groups for link in group.links)]:
        assert client.get(link.address, follow=True).status_code == 200, link.address


def test_a_technician_has_no_headings_and_an_owner_no_more_than_nine_entries_and_five_headings():
    daily, groups = for_role(Role.TECHNICIAN)
    assert groups == []
    daily, groups = for_role(Role.OWNER)
    assert len(daily) <= 9
    assert len(groups) == 5


def test_the_heading_of_the_page_at_hand_stands_open():
    _, groups = for_role(Role.OWNER, "webhook_delivery")
    assert [str(group.words) for group in groups if group.is_here] == ["Integrations"]
