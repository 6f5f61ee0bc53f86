"""A sender killed in the middle of a delivery: the event goes out again under its id."""

import os
import subprocess
import sys

import pytest

from fleet.models import DeliveryState, WebhookDelivery, WebhookKind
from fleet.webhooks import calling, hooks, outbox
from tests import factories as make
from tests import servers
from tests.factories import NOW
from tests.faults.fleet_at_risk import ROOT, database_url, wait_until
from tests.fleet.webhooks.receiver import Receiver

pytestmark = [pytest.mark.postgres, pytest.mark.slow, pytest.mark.django_db(transaction=True)]
LOCAL = calling.networks(["127.0.0.0/8"])


def test_a_sender_killed_mid_delivery_loses_nothing_and_the_id_stays():
    receiver = Receiver()
    owner = make.person("owner")
    hooks.add(name="A", url=receiver.url, kinds=list(WebhookKind.values), by=owner, now=NOW, allowed=LOCAL)
    outbox.publish(WebhookKind.ORDER_RAISED, [outbox.OutboxEvent(None, {"order_id": 7})], now=NOW)
    delivery = WebhookDelivery.objects.get()
    receiver.delay_s = 8
    env = {
        **os.environ, "DATABASE_URL": database_url(), "DJANGO_SETTINGS_MODULE": "shared.config.settings",
        "TAPWARD_SECRET_KEY": "only-for-tests-" + "x" * 50,
    }  # fmt: skip
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.faults.webhook_process", str(delivery.pk)], cwd=ROOT, env=env,
        stdout=subprocess.PIPE, text=True, preexec_fn=servers.die_with_parent,
    )  # fmt: skip
    wait_until(lambda: len(receiver.calls) == 1, "the receiver was called")
    process.kill()
    process.communicate(timeout=20)

    delivery.refresh_from_db()
    assert delivery.state == DeliveryState.WAITING
    assert outbox.deliver(delivery.pk, now=NOW, allowed=LOCAL) is None, "its claim has not run out yet"
    receiver.delay_s = 0
    assert outbox.deliver(delivery.pk, now=NOW + outbox.CLAIM, allowed=LOCAL) is True
    ids = [headers["webhook-id"] for _, headers, _ in receiver.calls]
    assert ids == [str(delivery.event_id)] * 2
    receiver.close()
