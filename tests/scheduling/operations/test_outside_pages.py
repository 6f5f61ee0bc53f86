"""Pages of telemetry and webhooks: by role and branch, secrets shown once, the example code true."""

import html
import json
import re
from datetime import timedelta

import pytest
from django.urls import reverse

from fleet.models import (
    DeadLetter,
    DeadLetterState,
    MeterReading,
    TelemetryMap,
    Webhook,
    WebhookDelivery,
    WebhookKind,
)
from fleet.telemetry import last_seen
from fleet.telemetry.dead_letters import Message
from fleet.telemetry.intake import take
from fleet.telemetry.mapping import QUANTITIES, measures_of
from fleet.webhooks import hooks, outbox
from fleet.webhooks.models import new_salt
from tests import factories as make
from tests.factories import NOW
from tests.fleet.telemetry.telemetry_maps import water_map

pytestmark = pytest.mark.django_db
FORM = {
    "name": "hourly", "topic": "sites/{any}/{serial}", "moment_path": "at", "moment_form": "iso",
    "is_on": "on",
    **{f"path-{one}": "" for one in QUANTITIES},
    **{f"measure-{one}": measures_of(one)[0] for one in QUANTITIES},
    "path-permeate_total": "litres", "measure-permeate_total": "L",
}  # fmt: skip


@pytest.fixture
def integrator(client):
    """Logged in, of the whole company."""
    person = make.person("integrator")
    client.force_login(person)
    return person


def letter(topic="sites/a/units/RO-1/water"):
    take([Message(topic, b"{")], now=NOW)
    return DeadLetter.objects.latest("pk")


def enter(client, settings, **given):
    settings.WEBHOOK_NETWORKS = ["127.0.0.0/8"]
    body = {"name": "Books", "url": "http://127.0.0.1:9/x", "kinds": ["order.raised"]} | given
    return client.post(reverse("webhooks"), body)


def test_an_integrator_keeps_and_changes_a_mapping(client, integrator):
    assert client.get(reverse("new_telemetry_map")).status_code == 200
    assert client.post(reverse("new_telemetry_map"), FORM).status_code == 302
    row = TelemetryMap.objects.get()
    assert row.fields == [{"quantity": "permeate_total", "path": "litres", "measure": "L"}]
    again = client.post(reverse("new_telemetry_map"), FORM)
    assert again.status_code == 422
    changed = FORM | {"path-permeate_total": "gallons", "measure-permeate_total": "gal"}
    assert client.post(reverse("telemetry_map", args=["hourly"]), changed).status_code == 302
    assert TelemetryMap.objects.count() == 2
    assert "gallons" in client.get(reverse("telemetry_map", args=["hourly"])).content.decode()


def test_a_mapping_that_reads_nothing_is_refused_on_the_page(client, integrator):
    answer = client.post(reverse("new_telemetry_map"), FORM | {"path-permeate_total": ""})
    assert answer.status_code == 422
    assert "Give the path of one quantity at least" in answer.content.decode()


def test_a_person_of_one_branch_changes_no_mapping_of_all(client):
    client.force_login(make.person("planner", branch=make.branch()))
    assert client.get(reverse("new_telemetry_map")).status_code == 403
    assert client.post(reverse("new_telemetry_map"), FORM).status_code == 403


def test_a_refused_message_is_looked_at_tried_again_and_dismissed(client, integrator):
    water_map()
    take(
        [Message("sites/a/units/RO-1/water", json.dumps({"at": NOW.isoformat(), "litres": 5}).encode())],
        now=NOW,
    )
    found = DeadLetter.objects.get()
    page = client.get(reverse("dead_letter", args=[found.pk])).content.decode()
    assert "There is no treatment unit RO-1" in page
    client.post(reverse("dead_letter", args=[found.pk]), {"do": "retry"})
    assert not MeterReading.objects.exists()
    make.meter(make.treatment_unit(serial="RO-1"))
    client.post(reverse("dead_letter", args=[found.pk]), {"do": "retry"})
    assert MeterReading.objects.count() == 1
    other = letter()
    client.post(reverse("settle_dead_letters"), {"letter": [other.pk], "do": "dismiss"})
    other.refresh_from_db()
    assert (other.state, other.settled_by) == (DeadLetterState.DISMISSED, integrator)


def test_a_payload_of_markup_and_nul_is_shown_as_text(client, integrator):
    take([Message("a", b"<script>alert(1)</script>\x00\xff")], now=NOW)
    page = client.get(reverse("dead_letter", args=[DeadLetter.objects.get().pk])).content.decode()
    assert "&lt;script&gt;" in page
    assert "<script>alert" not in page


def test_people_of_another_branch_see_neither_message_nor_webhook(client, integrator, settings):
    unit = make.treatment_unit(serial="RO-1")
    water_map()
    body = json.dumps({"at": NOW.isoformat(), "litres": 5}).encode()
    take([Message("sites/a/units/RO-1/water", body)], now=NOW)
    assert DeadLetter.objects.get().branch_id == unit.site.branch_id
    enter(client, settings)
    client.force_login(make.person("planner", branch=make.branch()))
    assert client.get(reverse("dead_letter", args=[DeadLetter.objects.get().pk])).status_code == 404
    hook = Webhook.objects.get()
    for name in ("webhook",):
        assert client.get(reverse(name, args=[hook.pk])).status_code == 404
    for name in ("rotate_webhook", "switch_webhook"):
        assert client.post(reverse(name, args=[hook.pk])).status_code == 404


def test_a_secret_is_shown_once_and_never_again(client, integrator, settings):
    page = enter(client, settings).content.decode()
    hook = Webhook.objects.get()
    secret = hooks.secret_of(hook.salt)
    assert html.unescape(re.search(r'id="new-secret">([^<]+)<', page)[1]) == secret
    for address in (reverse("webhooks"), reverse("webhook", args=[hook.pk])):
        assert secret not in html.unescape(client.get(address).content.decode())
    page = client.post(reverse("rotate_webhook", args=[hook.pk])).content.decode()
    hook.refresh_from_db()
    assert hooks.secret_of(hook.salt) in html.unescape(page)


def test_an_address_inside_is_refused_on_the_page(client, integrator, settings):
    answer = enter(client, settings, url="https://169.254.169.254/latest/")
    assert answer.status_code == 422
    assert "not public" in answer.content.decode()
    assert not Webhook.objects.exists()


def test_an_event_is_shown_as_sent_and_sent_again(client, integrator, settings):
    enter(client, settings)
    outbox.publish(WebhookKind.ORDER_RAISED, [outbox.OutboxEvent(None, {"order_id": 7})], now=NOW)
    delivery = WebhookDelivery.objects.get()
    WebhookDelivery.objects.update(state="failed", tries=9)
    address = reverse("webhook_delivery", args=[delivery.pk])
    assert "order_id" in client.get(address).content.decode()
    client.post(address)
    delivery.refresh_from_db()
    assert (delivery.state, delivery.tries) == ("waiting", 0)


def test_the_example_code_of_the_help_page_tells_genuine_from_forged(client, integrator):
    page = client.get(reverse("webhook_help")).content.decode()
    code = html.unescape(re.search(r'<code id="example">(.*?)</code>', page, re.DOTALL)[1])
    names = {}
    exec(code, names)
    body, at = b'{"a":1}', int(NOW.timestamp())
    hook = Webhook(old_salt=new_salt(), old_until=NOW + timedelta(hours=1))
    headers = hooks.headers(hook, "id-1", body.decode(), now=NOW)
    for salt in (hook.salt, hook.old_salt):
        assert names["is_genuine"](hooks.secret_of(salt), headers, body, now=lambda: at + 299)
        assert not names["is_genuine"](hooks.secret_of(salt), headers, body + b" ", now=lambda: at)
        assert not names["is_genuine"](hooks.secret_of(salt), headers, body, now=lambda: at + 301)
    other = hooks.secret_of(Webhook().salt)
    assert not names["is_genuine"](other, headers, body, now=lambda: at)


def test_silence_shows_on_the_pages(client, integrator):
    water_map()
    make.meter(make.treatment_unit(serial="RO-1"))
    body = json.dumps({"at": (NOW - timedelta(hours=1)).isoformat(), "litres": 5}).encode()
    take([Message("sites/a/units/RO-1/water", body)], now=NOW)
    page = client.get(reverse("last_heard")).content.decode()
    assert "RO-1" in page
    assert "Reports" in page
    assert "RO-1" not in client.get(reverse("last_heard"), {"silent": "on"}).content.decode()


def test_the_page_of_operations_says_what_is_wrong_outside(client):
    water_map()
    make.meter(make.treatment_unit(serial="RO-1"))
    body = json.dumps({"at": (NOW - timedelta(hours=1)).isoformat(), "litres": 5}).encode()
    take([Message("sites/a/units/RO-1/water", body), Message("x", b"{")], now=NOW)
    client.force_login(make.person("owner"))
    assert "1 telemetry message could not be taken" in client.get(reverse("operations")).content.decode()
    last_seen.note_silence(now=NOW + timedelta(days=3), hours=36)
    Webhook.objects.create(name="A", url="https://a.example.com/", made_at=NOW, made_by=make.person("owner"),
                           is_on=False, failures_in_row=20, off_because="20 tries failed")  # fmt: skip
    page = client.get(reverse("operations")).content.decode()
    assert "Fell silent" in page
    assert "1 webhook." in page
