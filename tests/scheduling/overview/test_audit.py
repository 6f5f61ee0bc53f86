"""Who changed what: one searchable list that is added to and never edited."""

import csv
from datetime import timedelta

import pytest
from django.db import DatabaseError, connection, transaction
from django.urls import reverse
from django.utils import timezone

from fleet.models import AuditArea, AuditEntry
from fleet.people import audit
from scheduling.overview import activity as queries
from shared.errors import DomainError
from tests import factories as make

pytestmark = pytest.mark.django_db


def note(what, *, area=AuditArea.MONEY, by=None, ago=timedelta(0), about=""):
    audit.note(what, area=area, about=about, by=by, now=timezone.now() - ago)


def listed(client, **asked):
    answer = client.get(reverse("audit_trail"), {"list": "changes", "as": "csv"} | asked)
    text = b"".join(answer.streaming_content).decode("utf-8-sig")
    told = [row["What"] for row in csv.DictReader(text.splitlines())]
    return [what for what in told if what != "file taken out"]


def order_with_event(unit=None):
    order = make.work_order(unit or make.treatment_unit())
    order.events.create(at=timezone.now(), what="withdrawn", detail="not needed")
    return order


def test_an_entry_is_neither_changed_nor_taken_away_by_our_own_code():
    note("plan price set")
    entry = AuditEntry.objects.get()
    entry.what = "nothing"
    for attempt in (
        entry.save,
        entry.delete,
        AuditEntry.objects.all().delete,
        lambda: AuditEntry.objects.update(what="nothing"),
    ):
        with pytest.raises(DomainError):
            attempt()
    assert AuditEntry.objects.get().what == "plan price set"


@pytest.mark.postgres
@pytest.mark.parametrize(
    "statement", ["UPDATE fleet_auditentry SET what = ''", "DELETE FROM fleet_auditentry"]
)
def test_the_database_itself_refuses_whoever_asks(statement):
    note("plan price set")
    with (
        pytest.raises(DatabaseError, match="added to, never changed"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement)
    assert AuditEntry.objects.get().what == "plan price set"


def test_the_owner_sees_what_tables_keep_themselves_and_what_is_noted_beside_them(client):
    owner = make.person("owner")
    order_with_event()
    note("plan price set", by=owner, about="P-1")
    client.force_login(owner)
    page = client.get(reverse("audit_trail")).content.decode()
    for told in ("withdrawn", "not needed", "plan price set", "P-1", owner.username):
        assert told in page


def test_the_planner_sees_work_and_no_money_people_or_files(client):
    order_with_event()
    for area in AuditArea:
        note(f"about {area}", area=area)
    client.force_login(make.person("planner"))
    assert set(listed(client)) == {"withdrawn", "about fleet", "about work", "about plans", "about stock"}
    assert client.get(reverse("audit_trail"), {"area": "money"}).status_code == 422


def test_days_words_persons_and_areas_narrow_the_list(client):
    owner, other = make.person("owner"), make.person("planner")
    note("old", by=owner, ago=timedelta(days=40))
    note("plan price set", by=owner)
    note("log-in made", by=other, area=AuditArea.PEOPLE)
    client.force_login(owner)
    assert set(listed(client)) == {"plan price set", "log-in made"}
    assert listed(client, words="PRICE") == ["plan price set"]
    assert listed(client, person=other.username) == ["log-in made"]
    assert listed(client, area="people") == ["log-in made"]
    long_ago = (timezone.localdate() - timedelta(days=60)).isoformat()
    assert "old" in listed(client, first_on=long_ago)


def test_a_planner_of_one_branch_sees_that_branch_only(client):
    here, there = make.treatment_unit(), make.treatment_unit()
    assert here.site.branch_id != there.site.branch_id
    order_with_event(here)
    order_with_event(there)
    planner = make.person("planner")
    planner.branch = here.site.branch
    planner.save()
    client.force_login(planner)
    assert listed(client) == ["withdrawn"]


def test_a_file_taken_out_is_an_entry_of_its_own(client):
    owner = make.person("owner")
    client.force_login(owner)
    listed(client)
    entry = AuditEntry.objects.get()
    assert (entry.area, entry.by, entry.about) == (AuditArea.FILES, owner, "changes.csv")


def test_a_token_made_and_revoked_leaves_two_entries_without_its_secret(client):
    owner = make.person("owner")
    client.force_login(owner)
    answer = client.post(reverse("own_tokens"), {"name": "Books", "days": 30, "permissions": ["see_fleet"]})
    secret = answer.context["secret"]
    client.post(reverse("revoke_own_token", args=[owner.api_tokens.get().pk]))
    entries = list(AuditEntry.objects.order_by("id"))
    assert [entry.what for entry in entries] == ["token made", "token revoked"]
    assert secret
    assert not any(secret in entry.about + entry.detail for entry in entries)


def test_the_number_of_queries_does_not_grow_with_the_list(client, django_assert_max_num_queries):
    for number in range(60):
        note(f"change {number}")
    client.force_login(make.person("owner"))
    with django_assert_max_num_queries(6):
        client.get(reverse("audit_trail"))


def test_pages_hold_each_change_once_though_many_were_made_at_one_moment(client):
    now = timezone.now()
    order = make.work_order(make.treatment_unit())
    for number in range(70):
        audit.note(f"note {number}", area=AuditArea.MONEY, about="", by=None, now=now)
        order.events.create(at=now, what=f"event {number}")
    client.force_login(make.person("owner"))
    told = []
    for page in (1, 2, 3):
        answer = client.get(reverse("audit_trail"), {"page": page})
        told += [row["told_what"] for row in answer.context["rows"]]
    assert sorted(told) == sorted([f"note {n}" for n in range(70)] + [f"event {n}" for n in range(70)])
    assert "1–50 of 140" in client.get(reverse("audit_trail")).content.decode()


def test_a_list_too_long_to_count_says_so_and_the_file_has_all(client, monkeypatch):
    monkeypatch.setattr(queries, "MOST_COUNTED", 50)
    for number in range(75):
        note(f"note {number}", ago=timedelta(minutes=number))
    client.force_login(make.person("owner"))
    assert "1–50 of more than 50" in client.get(reverse("audit_trail")).content.decode()
    last = client.get(reverse("audit_trail"), {"page": 9}).context["rows"]
    assert [row["told_what"] for row in last] == [f"note {n}" for n in range(50)]
    assert len(listed(client)) == 75
