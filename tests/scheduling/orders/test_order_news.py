"""What services do to orders, routes and findings lies in the outbox with it, or not at all."""

import json
from datetime import timedelta

import pytest

from fleet.assessment import runs
from fleet.models import Webhook, WebhookEvent, WebhookKind
from scheduling.orders import raising, work_orders
from scheduling.orders import steps as step_sheets
from scheduling.routes import publishing
from scheduling.visits import checks, close_out
from shared.errors import DomainError
from tests import factories as make
from tests.factories import NOW, TODAY

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def hook():
    """Somebody who wants to know everything."""
    return Webhook.objects.create(
        name="All", url="https://a.example.com/", kinds=list(WebhookKind.values), made_at=NOW,
        made_by=make.person("owner"),
    )  # fmt: skip


def told():
    rows = WebhookEvent.objects.order_by("happened_at", "pk")
    return [(row.kind, json.loads(row.body)["data"]) for row in rows]


def raise_one(unit):
    return work_orders.raise_one_off(treatment_unit=unit, why="A leak.", window_from=TODAY,
                                     window_to=TODAY + timedelta(days=3), by=None, now=NOW)  # fmt: skip


def test_an_order_raised_withdrawn_and_reopened_is_told_each_time():
    order = raise_one(make.treatment_unit())
    work_orders.withdraw(order, by=None, reason="Mended itself.", now=NOW + timedelta(minutes=1))
    work_orders.reopen(order, by=None, reason="No, it did not.", now=NOW + timedelta(minutes=2))
    kinds = [kind for kind, _ in told()]
    assert kinds == ["order.raised", "order.withdrawn", "order.updated"]
    assert [data["state"] for _, data in told()] == ["open", "withdrawn", "open"]
    assert {data["order_id"] for _, data in told()} == {order.pk}
    assert "amount" not in json.dumps(told())


def test_what_was_refused_is_not_told():
    order = raise_one(make.treatment_unit())
    WebhookEvent.objects.all().delete()
    with pytest.raises(DomainError):
        work_orders.withdraw(order, by=None, reason=" ", now=NOW)
    assert told() == []


def test_a_close_out_is_told():
    step_sheets.ensure_step_sheets(NOW)
    technician, order = make.technician(), raise_one(make.treatment_unit())
    form = checks.CloseOutForm(
        client_id=make.work_order(order.treatment_unit).treatment_unit.label_code, order_id=order.pk,
        technician_id=technician.pk, outcome="done", finished_at=NOW, minutes=30,
        steps=step_sheets.all_done(order.kind),
    )  # fmt: skip
    close_out.close_out(form, by=None, now=NOW)
    closed = [data for kind, data in told() if kind == "order.closed"]
    assert [data["state"] for data in closed] == ["done"]


def test_findings_and_the_orders_they_raise_are_told_once():
    make.whole_unit()
    later = NOW + timedelta(days=200)
    runs.assess_fleet(later, shard_size=10)
    raising.raise_work(now=later)
    first = sorted((kind, data.get("cause_key", data.get("why"))) for kind, data in told())
    assert {"finding.raised", "order.raised"} <= {kind for kind, _ in first}
    runs.assess_fleet(later, shard_size=10)
    raising.raise_work(now=later)
    assert sorted((kind, data.get("cause_key", data.get("why"))) for kind, data in told()) == first


def test_routes_published_and_taken_back_are_told():
    order = make.work_order(make.treatment_unit(), promised_on=None)
    route = make.route(make.technician(), [order])
    publishing.unpublish(route.proposal, by=None, now=NOW)
    (data,) = [data for kind, data in told() if kind == "route.taken_back"]
    assert data["plan_id"] == route.proposal_id
    assert data["route_ids"] == [route.pk]
