"""Each page of this room with each role gives what the roles table says, and nothing inline."""

import re
import uuid

import pytest
from django.urls import reverse

from scheduling.orders.steps import ensure_step_sheets
from shared.roles import Permission as P
from shared.roles import Role, may
from tests import factories as make

pytestmark = pytest.mark.django_db
READS = {
    "work_orders": P.SEE_WORK, "work_order": P.SEE_WORK, "new_order": P.MANAGE_WORK,
    "order_file": P.SEE_WORK, "proposals": P.SEE_WORK, "proposal": P.SEE_WORK,
    "proposal_geojson": P.SEE_WORK, "route": P.SEE_WORK, "route_geojson": P.SEE_WORK,
    "day": P.SEE_OWN_DAY, "close_out": P.CLOSE_OWN_STOPS, "visit": P.CLOSE_OWN_STOPS,
    "revenue_review": P.SEE_REVENUE,
    "revenue_file": P.SEE_REVENUE, "revenue_entries": P.SEE_REVENUE, "entries_file": P.SEE_REVENUE,
}  # fmt: skip
WRITES = {
    "withdraw_order": P.MANAGE_WORK, "reopen_order": P.MANAGE_WORK, "undo_close_out": P.MANAGE_WORK,
    "stop_proposal": P.PLAN_ROUTES, "publish_proposal": P.PLAN_ROUTES, "take_back_proposal": P.PLAN_ROUTES,
    "set_proposal_aside": P.PLAN_ROUTES, "send_close_outs": P.CLOSE_OWN_STOPS,
}  # fmt: skip


@pytest.fixture
def world():
    """One order on one published route, and the keys of every page."""
    ensure_step_sheets(make.NOW)
    technician = make.technician()
    order = make.work_order(make.treatment_unit())
    make.plan(order.site)
    route = make.route(technician, [order])
    keys = {
        "work_order": [order.pk], "withdraw_order": [order.pk], "reopen_order": [order.pk],
        "undo_close_out": [0], "order_file": ["csv"], "revenue_file": ["csv"], "entries_file": ["csv"],
        "close_out": [order.pk], "visit": [order.stops.get().stop_id],
        "route": [route.pk], "route_geojson": [route.pk],
        **{name: [route.proposal_id] for name in ("proposal", "proposal_geojson", "stop_proposal",
           "publish_proposal", "take_back_proposal", "set_proposal_aside")},
    }  # fmt: skip
    return technician, keys


def somebody(role: Role, technician):
    return technician.person if role is Role.TECHNICIAN else make.person(role.value)


@pytest.mark.parametrize("role", list(Role))
@pytest.mark.parametrize("name", READS)
def test_a_page_opens_for_whom_the_table_says(client, world, role, name):
    technician, keys = world
    client.force_login(somebody(role, technician))
    status = client.get(reverse(name, args=keys.get(name, []))).status_code
    if not may(role, READS[name]):
        assert status == 403
    elif name in ("close_out", "visit") and role is not Role.TECHNICIAN:
        assert status == 404  # allowed, but not this person's stop
    else:
        assert status == 200


@pytest.mark.parametrize("role", list(Role))
@pytest.mark.parametrize("name", WRITES)
def test_a_command_is_refused_to_whom_the_table_says(client, world, role, name):
    technician, keys = world
    client.force_login(somebody(role, technician))
    status = client.post(reverse(name, args=keys.get(name, [])), {"reason": "x"}).status_code
    assert (status == 403) == (not may(role, WRITES[name]))


def test_asking_for_a_plan_is_for_planners_even_though_the_page_is_for_more(client, world):
    client.force_login(make.person("integrator"))
    assert client.get(reverse("proposals")).status_code == 200
    assert client.post(reverse("proposals"), {"first_on": "2026-11-03", "days": 1}).status_code == 403


@pytest.mark.parametrize("name", [*READS, *WRITES])
def test_a_stranger_is_sent_to_the_log_in(client, world, name):
    answer = client.get(reverse(name, args=world[1].get(name, [])))
    assert answer.status_code == 302
    assert answer["Location"].startswith(reverse("log_in"))


@pytest.mark.parametrize("name", WRITES)
def test_a_command_can_t_be_given_by_a_link(client, world, name):
    technician, keys = world
    client.force_login(technician.person if name == "send_close_outs" else make.person("owner"))
    assert client.get(reverse(name, args=keys.get(name, []))).status_code == 405


@pytest.mark.parametrize("name", [name for name in READS if not name.endswith(("file", "geojson"))])
def test_no_page_holds_inline_script_or_style(client, world, name):
    technician, keys = world
    role = Role.TECHNICIAN if READS[name] in (P.SEE_OWN_DAY, P.CLOSE_OWN_STOPS) else Role.OWNER
    client.force_login(somebody(role, technician))
    text = client.get(reverse(name, args=keys.get(name, []))).content.decode()
    assert not re.search(r"<script(?![^>]*(\bsrc=|type=\"application/json\"))", text)
    assert not re.search(r"<style|\sstyle=|\son(click|load|submit|input)=|javascript:", text)


@pytest.mark.parametrize("name", ["proposals", "route", "work_orders"])
def test_planners_pages_hold_no_margin(client, world, name):
    technician, keys = world
    client.force_login(make.person("planner"))
    text = client.get(reverse(name, args=keys.get(name, []))).content.decode().lower()
    assert "margin" not in text
    assert str(technician.cost_per_hour) not in text


def test_an_unknown_close_out_can_t_be_undone(client):
    client.force_login(make.person("planner"))
    assert client.post(reverse("undo_close_out", args=[uuid.uuid4().int % 10**6]), {}).status_code == 404
