"""Pages of telemetry and webhooks in a real browser: readable by all, narrow and dark, wide and light."""

import json
from datetime import timedelta

import pytest
from django.conf import settings
from django.test import Client
from django.urls import reverse

from fleet.models import DeadLetter, Webhook, WebhookDelivery, WebhookKind
from fleet.telemetry.dead_letters import Message
from fleet.telemetry.intake import take
from fleet.webhooks import outbox
from tests import factories as make
from tests.browser import Axe
from tests.factories import NOW
from tests.fleet.telemetry.telemetry_maps import water_map

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}


@pytest.fixture
def addresses():
    """The pages with something on each."""
    owner = make.person("owner")
    water_map()
    make.meter(make.treatment_unit(serial="RO-1"))
    body = {"at": (NOW - timedelta(hours=1)).isoformat(), "litres": 5}
    take([Message("sites/a/units/RO-1/water", json.dumps(body).encode()), Message("x/y", b"{")], now=NOW)
    hook = Webhook.objects.create(name="Books", url="https://a.example.com/" + "x" * 90, made_at=NOW,
                                  kinds=list(WebhookKind.values), made_by=owner)  # fmt: skip
    outbox.publish(WebhookKind.ORDER_RAISED, [outbox.OutboxEvent(None, {"why": "y" * 200})], now=NOW)
    delivery = WebhookDelivery.objects.get()
    delivery.attempts.create(at=NOW, status=500, milliseconds=3, answer="z" * 200)
    return [
        reverse("telemetry"), reverse("new_telemetry_map"), reverse("telemetry_map", args=["water"]),
        reverse("last_heard"), reverse("dead_letters"),
        reverse("dead_letter", args=[DeadLetter.objects.get().pk]), reverse("webhooks"),
        reverse("webhook", args=[hook.pk]), reverse("webhook_delivery", args=[delivery.pk]),
        reverse("webhook_help"),
    ]  # fmt: skip


@pytest.mark.parametrize(("width", "scheme"), [(320, "dark"), (1440, "light")])
def test_pages_pass_axe_and_fit_their_width(page, live_server, addresses, width, scheme):
    client = Client()
    client.force_login(make.person("integrator"))
    page.set_viewport_size({"width": width, "height": 900})
    page.emulate_media(color_scheme=scheme)
    page.context.add_cookies(
        [{"name": settings.SESSION_COOKIE_NAME, "value": client.cookies["sessionid"].value,
          "url": live_server.url}]
    )  # fmt: skip
    for address in addresses:
        page.goto(live_server.url + address)
        too_wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        assert too_wide <= 0, f"{address} is {too_wide} px wider than {width}"
        found = Axe().run(page, options=RULES).response["violations"]
        told = [f"{one['id']}: {[node['html'][:160] for node in one['nodes']][:4]}" for one in found]
        assert not told, f"{address} at {width} {scheme}: {told}"
