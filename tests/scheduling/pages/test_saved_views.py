"""Saved views: a filter under a name, kept, shared, removed and put back."""

import pytest
from django.urls import reverse

from scheduling.models import SavedView
from scheduling.pages import saved_views as service
from shared.errors import DomainError
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def planner(client, time_machine):
    """A planner who is logged in at the tests' standing moment."""
    time_machine.move_to(make.NOW, tick=False)
    person = make.person("planner")
    client.force_login(person)
    client.person = person
    return client


def keep(client, name="Late in the north", query="readiness=idle&sort=-wear&page=3", **given):
    return client.post(reverse("save_view"), {"view_of": "fleet_list", "name": name, "query": query, **given})


def test_a_kept_filter_is_a_link_on_its_list_and_forgets_the_page_number(planner):
    make.treatment_unit()
    answer = keep(planner)
    assert answer["Location"] == f"{reverse('fleet_list')}?readiness=idle&sort=-wear"
    page = planner.get(answer["Location"]).content.decode()
    assert "Late in the north" in page
    assert 'aria-current="page">Late in the north' in page
    assert "Late in the north" not in planner.get(reverse("work_orders")).content.decode()


def test_the_same_name_keeps_the_new_filter_and_makes_no_second_view(planner):
    keep(planner)
    keep(planner, query="readiness=bedding")
    assert SavedView.objects.get().query == "readiness=bedding"


def test_removing_can_be_undone(planner):
    keep(planner)
    view = SavedView.objects.get()
    answer = planner.post(reverse("remove_view", args=[view.pk]))
    page = planner.get(answer["Location"]).content.decode()
    assert "Put it back" in page
    planner.post(reverse("put_back_view", args=[view.pk]))
    assert "Late in the north" in planner.get(reverse("fleet_list")).content.decode()


def test_putting_back_says_when_the_name_is_used_again(planner):
    keep(planner)
    view = SavedView.objects.get()
    planner.post(reverse("remove_view", args=[view.pk]))
    keep(planner)
    view.refresh_from_db()
    with pytest.raises(DomainError, match="another view named"):
        service.restore_saved_view(view, by=planner.person)


def test_a_shared_view_is_seen_by_others_but_only_its_owner_removes_it(planner, client):
    other = make.person("owner")
    mine = service.store_saved_view(
        owner=other, view_of="fleet_list", name="Everybody’s", query="silent=45", is_shared=True, now=make.NOW
    )
    service.store_saved_view(
        owner=other,
        view_of="fleet_list",
        name="Nobody else’s",
        query="silent=90",
        is_shared=False,
        now=make.NOW,
    )
    page = planner.get(reverse("fleet_list")).content.decode()
    assert "Everybody’s" in page
    assert "Nobody else’s" not in page
    assert planner.post(reverse("remove_view", args=[mine.pk])).status_code == 404
    with pytest.raises(DomainError, match="Ask"):
        service.delete_saved_view(mine, by=planner.person, now=make.NOW)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"name": "   "}, "needs a name"),
        ({"name": "x" * 61}, "at most 60"),
        ({"view_of": "revenue"}, "keeps no views"),
        ({"query": "q=" + "x" * 700}, "too long"),
    ],
)
def test_what_can_not_be_kept_is_refused_with_its_remedy(given, words):
    usual = {"view_of": "fleet_list", "name": "A", "query": "q=b", "is_shared": False}
    with pytest.raises(DomainError, match=words) as refusal:
        service.store_saved_view(owner=make.person("planner"), now=make.NOW, **usual | given)
    assert refusal.value.remedy


def test_a_list_keeps_at_most_forty_views_of_one_person():
    person = make.person("planner")
    for number in range(service.MOST_VIEWS):
        service.store_saved_view(
            owner=person, view_of="fleet_list", name=f"V{number}", query="q=a", is_shared=False, now=make.NOW
        )
    with pytest.raises(DomainError, match="40 views already"):
        service.store_saved_view(
            owner=person, view_of="fleet_list", name="More", query="q=a", is_shared=False, now=make.NOW
        )
