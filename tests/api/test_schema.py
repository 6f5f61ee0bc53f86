"""The description of the API: every body with an example that fits it, webhooks as they are really sent."""

import json
from datetime import timedelta

import pytest
from django.core.management import call_command
from jsonschema import Draft202012Validator

from fleet.assessment import runs
from fleet.models import Webhook, WebhookEvent, WebhookKind
from fleet.telemetry import last_seen
from scheduling.orders import steps as step_sheets
from scheduling.orders import work_orders
from scheduling.routes import publishing
from scheduling.visits import checks, close_out
from tests import factories as make
from tests.fleet.telemetry.test_telemetry import message, take, water_map

pytestmark = pytest.mark.django_db


def validator(schema: dict, part: dict) -> Draft202012Validator:
    """Return what checks values against a part of the description; references lead into the whole."""
    return Draft202012Validator(
        {"components": schema["components"], **part}, format_checker=Draft202012Validator.FORMAT_CHECKER
    )


def test_every_body_has_an_example_that_fits(planner):
    schema = planner.get("schema").json()
    assert schema["openapi"].startswith("3.1.")
    assert "nullable" not in json.dumps(schema)
    missing, unfit, count = [], {}, 0
    for path, methods in schema["paths"].items():
        for method, operation in methods.items():
            for kind, content in operation.get("requestBody", {}).get("content", {}).items():
                count += 1
                if not content.get("example"):
                    missing.append((method, path))
                for error in validator(schema, content["schema"]).iter_errors(content["example"]):
                    unfit[f"{method} {path} {kind}"] = error.message
    assert (missing, unfit) == ([], {})
    assert count > 30


def test_the_description_names_the_server_it_came_from(planner, tmp_path):
    assert planner.get("schema").json()["servers"] == [{"url": "http://testserver"}]
    call_command("spectacular", "--file", str(tmp_path / "s.json"), "--format", "openapi-json")
    assert json.loads((tmp_path / "s.json").read_text())["servers"] == [{"url": "/"}]


def test_webhooks_are_sent_as_described(planner):
    unit, technician = make.whole_unit(), make.technician()
    Webhook.objects.create(
        name="All", url="https://a.example.com/", kinds=list(WebhookKind.values), made_at=make.NOW,
        made_by=make.person("owner"),
    )  # fmt: skip
    step_sheets.ensure_step_sheets(make.NOW)
    order, second = (
        work_orders.raise_one_off(
            treatment_unit=unit, why="A leak.", window_from=make.TODAY,
            window_to=make.TODAY + timedelta(days=3), by=None, now=make.NOW,
        )
        for _ in range(2)
    )  # fmt: skip
    publishing.unpublish(make.route(technician, [second]).proposal, by=None, now=make.NOW)
    form = checks.CloseOutForm(
        client_id=unit.label_code, order_id=order.pk, technician_id=technician.pk, outcome="done",
        finished_at=make.NOW, minutes=30, steps=step_sheets.all_done(order.kind),
    )  # fmt: skip
    close_out.close_out(form, by=None, now=make.NOW)
    second.refresh_from_db()
    work_orders.withdraw(second, by=None, reason="Mended itself.", now=make.NOW)
    work_orders.reopen(second, by=None, reason="No, it did not.", now=make.NOW)
    water_map()
    take([message(serial=unit.serial), message(b"{")], now=make.NOW)
    last_seen.note_silence(now=make.NOW + timedelta(days=9), hours=36)
    runs.assess_fleet(make.NOW + timedelta(days=200), shard_size=10)
    schema = planner.get("schema").json()
    assert set(schema["webhooks"]) == set(WebhookKind.values)
    sent = {row.kind: json.loads(row.body) for row in WebhookEvent.objects.all()}
    assert set(WebhookKind.values) - set(sent) <= {WebhookKind.ROUTE_PUBLISHED}
    for kind, body in sent.items():
        (content,) = schema["webhooks"][kind]["post"]["requestBody"]["content"].values()
        for value in (body, content["example"]):
            assert [error.message for error in validator(schema, content["schema"]).iter_errors(value)] == []
        assert set(body["data"]) == set(content["example"]["data"]), kind
