"""Heavy work is done for one person so many times a minute; reading, others and light posts go on."""

from datetime import timedelta

import pytest
from django.core.cache import cache
from django.urls import get_resolver, reverse

from tests import factories as make

pytestmark = pytest.mark.django_db
HEAVY = {
    "import_page", "import_preview", "import_columns",
    "bring_up_to_date_now", "proposals", "replan", "read_paid_file",
    "end_of_month", "personal_data_file", "with_chosen_units", "raise_for_chosen", "withdraw_chosen",
    "reopen_chosen", "settle_dead_letters",
}  # fmt: skip


@pytest.fixture(autouse=True)
def _limit(settings, time_machine):
    settings.HEAVY_POSTS_PER_MINUTE = 2
    time_machine.move_to(make.NOW, tick=False)
    cache.clear()


def test_one_person_can_not_have_pages_work_without_end(client, time_machine):
    client.force_login(make.person("planner"))
    asked = [client.post(reverse("proposals")).status_code for _ in range(2)]
    assert 429 not in asked
    answer = client.post(reverse("replan"))
    assert answer.status_code == 429
    assert 0 < int(answer.headers["Retry-After"]) <= 60
    assert "Nothing was done" in answer.content.decode()
    assert client.get(reverse("proposals")).status_code == 200
    time_machine.move_to(make.NOW + timedelta(seconds=int(answer.headers["Retry-After"])), tick=False)
    assert client.post(reverse("replan")).status_code != 429


def test_one_persons_haste_costs_nobody_else_anything(client):
    client.force_login(make.person("planner"))
    for _ in range(4):
        client.post(reverse("proposals"))
    client.force_login(make.person("planner"))
    assert client.post(reverse("proposals")).status_code != 429


def test_the_heavy_pages_are_these():
    views = {one.callback for one in every_address(get_resolver().url_patterns)}
    assert {view.__name__ for view in views if is_marked(view)} == HEAVY


def every_address(patterns):
    for one in patterns:
        if hasattr(one, "url_patterns"):
            yield from every_address(one.url_patterns)
        else:
            yield one


def is_marked(view):
    """Say whether a view, or what its decorators wrap, is marked as heavy."""
    while view is not None:
        if "rate_limited" in vars(view):
            return True
        view = getattr(view, "__wrapped__", None)
    return False
