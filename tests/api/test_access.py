"""Every address × method × role against the access table; and what belongs to another branch."""

import uuid

import pytest

from api.permissions import HasPermission
from api.tokens import NEVER_BY_TOKEN, ON_OFFER
from scheduling.models import StopOrder, WorkOrder
from shared.roles import Permission, Role
from tests import factories as make
from tests.api.access_table import ACCESS, ADDRESSES
from tests.api.rows import KINDS, Caller, Everything, people

METHODS = ["GET", "POST", "PUT", "PATCH", "DELETE"]
REACHED = {200, 201, 400, 404, 409, 415, 428}
"""Answers of an operation that let the caller in, whatever it then thought of the call."""
OF_COMPANY = {"supplies", "part-kinds", "unit-models"}
"""What no branch has for itself: who may see or change one may every one, as in the pages."""


@pytest.fixture
def callers(here):
    made = people(here.branch) | {"technician": here.technician.person}
    return {role: Caller(person) for role, person in made.items()}


def place(address: str, rows: Everything) -> str:
    """Fill an address with the key of something in these rows."""
    noun = address.split("/")[0]
    return address.replace("<int:pk>", str(getattr(rows, KINDS[noun]).pk)) if "<" in address else address


def call(caller: Caller, method: str, address: str):
    return caller.call(method, address, {} if method != "GET" else None)


def test_every_address_and_method_has_its_row_in_the_table():
    assert {(method, address) for method, address, *_ in ADDRESSES} == set(ACCESS)


def test_every_operation_asks_the_roles_table():
    for method, _, viewset, action in ADDRESSES:
        assert viewset.permission_classes == [HasPermission], viewset
        assert needs(method, viewset, action), (viewset, action)


def needs(method, viewset, action):
    return viewset.needs if method == "GET" else getattr(viewset, action).needs


def test_tokens_are_offered_for_what_operations_ask_and_nothing_else():
    asked = {permission for method, _, *made in ADDRESSES for permission in needs(method, *made)}
    assert asked - {Permission.SEE_OWN_DAY} == set(ON_OFFER)
    assert not set(ON_OFFER) & NEVER_BY_TOKEN


@pytest.mark.parametrize(("method", "address"), sorted(ACCESS))
def test_each_role_gets_in_where_the_table_says_so_and_nowhere_else(callers, here, method, address):
    for role in Role:
        answer = call(callers[role], method, place(address, here))
        if role in ACCESS[method, address]:
            assert answer.status_code in REACHED - {404}, (role, answer.content)
        else:
            assert answer.status_code == 403, (role, answer.content)


@pytest.mark.parametrize(("method", "address"), sorted(ACCESS))
def test_strangers_get_in_nowhere(here, client, method, address):
    answer = client.generic(method, f"/api/{place(address, here)}", headers={"Authorization": "Bearer x"})
    assert answer.status_code == 401
    assert client.generic(method, f"/api/{place(address, here)}").status_code == 401


@pytest.mark.parametrize(("method", "address"), sorted(ACCESS))
def test_what_belongs_to_another_branch_is_not_there(callers, method, address):
    if address.split("/")[0] in OF_COMPANY:
        return
    there = Everything()
    for role in ACCESS[method, address]:
        answer = call(callers[role], method, place(address, there))
        if "<" in address:
            assert answer.status_code == 404, (role, answer.content)
        elif method == "GET":
            keys = [row.get("id", row.get("part_id")) for row in answer.json()["results"]]
            foreign = {getattr(there, name).pk for name in shown_by(address)}
            assert foreign.isdisjoint(keys), role


@pytest.mark.parametrize(("method", "address"), sorted(a for a in ACCESS if a[0] == "GET"))
def test_lists_and_rows_hold_what_is_in_the_own_branch(callers, here, method, address):
    for role in ACCESS[method, address]:
        answer = call(callers[role], method, place(address, here)).json()
        rows = answer.get("results", [answer])
        keys = {row.get("id", row.get("part_id")) for row in rows}
        assert {getattr(here, name).pk for name in shown_by(address)} <= keys, role


def shown_by(address: str) -> list[str]:
    others = {
        "part-states": "part_state", "meters": "meter", "meter-readings": "reading",
        "performance-readings": "gauges", "feed-tests": "feed_test", "corrections": "correction",
    }  # fmt: skip
    return [(KINDS | others)[address.split("/")[0]]]


@pytest.mark.parametrize("address", sorted({address for _, address, *_ in ADDRESSES}))
def test_a_method_nobody_made_is_refused(callers, here, address):
    made = {method for method, other in ACCESS if other == address}
    for method in sorted({*METHODS, "OPTIONS", "TRACE"} - made):
        answer = call(callers["owner"], method, place(address, here))
        assert answer.status_code == 405, method
        assert answer.headers["Allow"] == ", ".join(sorted(made))


def test_a_person_without_a_branch_sees_every_branch(here):
    there = Everything()
    caller = Caller(make.person("owner"))
    keys = {row["id"] for row in caller.get("sites").json()["results"]}
    assert {here.site.pk, there.site.pk} <= keys


def test_feed_tests_and_supplies_are_those_of_the_own_branch(here, callers):
    there = Everything()
    ours = make.feed_test(supply=here.site.supply)
    theirs = make.feed_test(supply=there.site.supply)
    shared = make.supply()
    for branch in (here.branch, there.branch):
        make.site(branch=branch, supply=shared)
    common = make.feed_test(supply=shared)
    nobodys = make.feed_test(supply=make.supply())
    for role in ("planner", "integrator"):
        shown = {row["id"] for row in callers[role].get("feed-tests").json()["results"]}
        assert shown >= {here.feed_test.pk, ours.pk, common.pk}
        assert shown.isdisjoint({there.feed_test.pk, theirs.pk, nobodys.pk})


def test_a_stop_no_longer_in_force_shows_the_technician_neither_order_nor_site(here):
    technician = make.technician(branch=here.branch)
    order = make.work_order(make.treatment_unit(site=make.site(branch=here.branch)))
    route = make.route(technician, [order])
    caller = Caller(technician.person)
    address = f"work-orders/{order.pk}"
    assert caller.get(address).status_code == 200
    StopOrder.objects.filter(stop__route=route).update(is_in_force=False)
    assert caller.get(address).status_code == 404


def test_a_technician_sees_a_colleagues_day_nowhere(here, callers):
    colleague = make.technician(branch=here.branch)
    order = make.work_order(here.unit)
    route = make.route(colleague, [order])
    for address in (f"routes/{route.pk}", f"work-orders/{order.pk}"):
        assert callers["technician"].get(address).status_code == 404
        assert callers["planner"].get(address).status_code == 200


def test_a_route_that_is_not_published_is_not_there(here, callers):
    route = make.route(here.technician, [make.work_order(here.unit)], is_in_force=False)
    assert callers["planner"].get(f"routes/{route.pk}").status_code == 404


def test_an_order_can_not_be_raised_in_another_branch(callers):
    there = Everything()
    body = {
        "client_id": str(uuid.uuid4()), "treatment_unit_id": there.unit.pk, "why": "A leak.",
        "window_from": "2026-11-02", "window_to": "2026-11-05",
    }  # fmt: skip
    before = WorkOrder.objects.count()
    answer = callers["planner"].call("POST", "work-orders", body)
    assert answer.status_code == 400
    assert answer.json()["fields"][0]["field"] == "treatment_unit_id"
    assert WorkOrder.objects.count() == before


def test_what_nobody_answers_to_is_a_problem_too(client):
    answer = client.get("/api/no-such-thing")
    assert answer.status_code == 404
    assert answer.headers["Content-Type"] == "application/problem+json"
