"""The recall list: one lot leads to every site, and to nobody else."""

import csv
import io
from datetime import timedelta

import pytest
from django.urls import reverse

from fleet.models import Part, RemovalReason
from scheduling.models import StockLevel, StockPlace
from tests import factories as make

pytestmark = pytest.mark.django_db


def unit_with(lot: str, **site) -> Part:
    unit = make.treatment_unit(site=make.site(**site))
    return make.part(make.position(unit, "carbon", 1), lot=lot)


def rows_of(client, form="csv", **asked) -> list[dict]:
    answer = client.get(reverse("recall_file", args=[form]), asked)
    return list(csv.DictReader(io.StringIO(b"".join(answer.streaming_content).decode("utf-8-sig"))))


def test_a_lot_leads_to_every_site_with_its_contact(client):
    customer = make.customer(name="Mill Ltd", phone="555-1", email="mill@example.invalid")
    here = unit_with("LOT-7", name="Mill", customer=customer)
    there = unit_with("lot-7", name="Dairy")
    other = unit_with("LOT-77", name="Forge")
    client.force_login(make.person("planner"))
    rows = rows_of(client, lot="LOT-7")
    assert {row["Site"] for row in rows} == {"Mill", "Dairy"}
    (mill,) = [row for row in rows if row["Site"] == "Mill"]
    assert (mill["Phone"], mill["E-mail"], mill["Treatment unit"]) == (
        "555-1", "mill@example.invalid", here.treatment_unit.serial,
    )  # fmt: skip
    text = client.get(reverse("recall"), {"lot": "LOT-7"}).content.decode()
    assert there.treatment_unit.serial in text
    assert other.treatment_unit.serial not in text
    assert "2 parts in place at 2 sites" in text


def test_parts_taken_out_stay_on_the_list_and_stand_last(client):
    gone = unit_with("X1", name="Abbey")
    Part.objects.filter(pk=gone.pk).update(
        removed_at=make.NOW - timedelta(1), removal_reason=RemovalReason.WORN
    )
    unit_with("X1", name="Zinc Works")
    client.force_login(make.person("owner"))
    assert [(row["Site"], row["In place"]) for row in rows_of(client, lot="X1")] == [
        ("Zinc Works", "yes"), ("Abbey", "no"),
    ]  # fmt: skip


def test_pieces_on_shelves_are_told_too(client):
    part = unit_with("X2")
    shelf = StockPlace.objects.create(code="s", name="North shelf", branch=part.treatment_unit.site.branch)
    StockLevel.objects.create(place=shelf, kind=part.kind, lot="x2", quantity=3)
    client.force_login(make.person("planner"))
    text = client.get(reverse("recall"), {"lot": "X2"}).content.decode()
    assert "Not put in yet" in text
    assert "North shelf" in text


def test_one_kind_of_a_lot_number_two_makers_use(client):
    first, second = unit_with("A1"), unit_with("A1")
    client.force_login(make.person("planner"))
    rows = rows_of(client, lot="A1", kind=first.kind.code)
    assert [row["Treatment unit"] for row in rows] == [first.treatment_unit.serial]
    assert second.kind.code != first.kind.code


@pytest.mark.parametrize("lot", ["", "  ", "NOWHERE", "%", "_", "' OR 1=1"])
def test_no_lot_and_an_unknown_lot_list_nothing(client, lot):
    unit_with("B1")
    unit_with("")
    client.force_login(make.person("planner"))
    assert client.get(reverse("recall"), {"lot": lot}).status_code == 200
    assert rows_of(client, lot=lot) == []


def test_a_branch_recalls_its_own(client):
    mine = unit_with("C1")
    unit_with("C1")
    client.force_login(make.person("planner", branch=mine.treatment_unit.site.branch))
    assert [row["Treatment unit"] for row in rows_of(client, lot="C1")] == [mine.treatment_unit.serial]


def test_the_list_of_a_large_lot_costs_as_many_queries_as_a_small_one(client, django_assert_max_num_queries):
    for _ in range(30):
        unit_with("D1")
    client.force_login(make.person("planner"))
    with django_assert_max_num_queries(6):
        client.get(reverse("recall"), {"lot": "D1"})


@pytest.mark.parametrize(("role", "status"), [("planner", 200), ("owner", 200), ("integrator", 200),
                                              ("technician", 403)])  # fmt: skip
@pytest.mark.parametrize("name", ["recall", "recall_file"])
def test_contacts_go_to_those_who_see_the_fleet(client, role, status, name):
    client.force_login(make.person(role))
    address = reverse(name, args=["csv"] if name == "recall_file" else [])
    assert client.get(address).status_code == status
