"""Webhooks against a real local server: signed, tried again, never inside, never twice at once."""

import base64
import hashlib
import hmac
import json
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.core import mail
from django.db import transaction

from fleet.models import DeliveryState, Webhook, WebhookAttempt, WebhookDelivery, WebhookEvent, WebhookKind
from fleet.webhooks import calling, hooks, outbox
from shared.errors import DomainError
from tests import factories as make
from tests.factories import NOW
from tests.fleet.webhooks.receiver import Receiver

pytestmark = pytest.mark.django_db
LOCAL = calling.networks(["127.0.0.0/8"])
ALL_KINDS = list(WebhookKind.values)


@pytest.fixture
def receiver():
    """A local server of the test's own."""
    listening = Receiver()
    yield listening
    listening.close()


@pytest.fixture
def hook(receiver):
    """A webhook that leads there and wants everything."""
    owner = make.person("owner", email="owner@example.invalid")
    made, _ = hooks.add(name="Books", url=receiver.url, kinds=ALL_KINDS, by=owner, now=NOW, allowed=LOCAL)
    return made


def tell(**data):
    outbox.publish(WebhookKind.ORDER_RAISED, [outbox.OutboxEvent(None, data or {"order_id": 7})], now=NOW)
    return WebhookDelivery.objects.latest("pk")


def deliver(delivery, now=NOW):
    return outbox.deliver(delivery.pk, now=now, allowed=LOCAL)


def signature(secret, message_id, timestamp, body):
    """Work a signature out by hand: HMAC-SHA256 over id, time and raw body."""
    key = base64.b64decode(secret.removeprefix("whsec_"))
    signed = f"{message_id}.{timestamp}.".encode() + body
    return f"v1,{base64.b64encode(hmac.digest(key, signed, hashlib.sha256)).decode()}"


def test_the_signature_is_that_of_the_open_specification(monkeypatch):
    # Example of the "Standard Webhooks" specification, value from memory.
    monkeypatch.setattr(hooks, "secret_of", lambda salt: "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
    at = datetime.fromtimestamp(1614265330, UTC).astimezone(ZoneInfo("America/Chicago"))
    made = hooks.headers(Webhook(), "msg_p5jXN8AQM9LWM0D4loKWxJek", '{"test": 2432232314}', now=at)
    assert made["webhook-signature"] == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
    assert made["webhook-timestamp"] == "1614265330"


def test_a_delivery_carries_id_time_and_a_signature_over_the_raw_body(hook, receiver):
    delivery = tell(order_id=7, why="Carbon: 90 % used – “soon”")
    assert deliver(delivery) is True
    ((path, headers, body),) = receiver.calls
    assert path == "/hook?x=1"
    assert headers["webhook-id"] == str(delivery.event_id) == json.loads(body)["id"]
    assert headers["webhook-timestamp"] == str(int(NOW.timestamp()))
    at = headers["webhook-timestamp"]
    assert headers["webhook-signature"] == signature(
        hooks.secret_of(hook.salt), str(delivery.event_id), at, body
    )
    delivery.refresh_from_db()
    assert delivery.state == DeliveryState.DELIVERED
    assert deliver(delivery) is None, "what was delivered is not sent again"


def test_an_event_is_written_with_what_happened_or_not_at_all(hook):
    with transaction.atomic():
        tell()
        transaction.set_rollback(True)
    assert not WebhookEvent.objects.exists()


def test_nothing_is_written_where_nobody_listens():
    assert outbox.publish(WebhookKind.ORDER_RAISED, [outbox.OutboxEvent(None, {})], now=NOW) == 0
    assert not WebhookEvent.objects.exists()


def test_a_webhook_of_a_branch_hears_of_that_branch_only(receiver):
    branch = make.branch()
    planner = make.person("planner", branch=branch)
    hooks.add(name="One", url=receiver.url, kinds=ALL_KINDS, by=planner, now=NOW, allowed=LOCAL)
    told = [
        outbox.OutboxEvent(branch.pk, {"a": 1}),
        outbox.OutboxEvent(make.branch().pk, {"a": 2}),
        outbox.OutboxEvent(None, {}),
    ]
    assert outbox.publish(WebhookKind.ORDER_CLOSED, told, now=NOW) == 1
    assert json.loads(WebhookEvent.objects.get().body)["data"] == {"a": 1}


def test_a_failure_is_tried_again_later_and_later_under_the_same_id_then_given_up(hook, receiver):
    receiver.answer = 503
    delivery, now, waits = tell(), NOW, []
    for _ in range(outbox.MOST_TRIES):
        assert deliver(delivery, now) is False
        assert deliver(delivery, now) is None, "not before its time"
        delivery.refresh_from_db()
        waits.append((delivery.next_try_at - now).total_seconds())
        now = delivery.next_try_at
    assert delivery.state == DeliveryState.FAILED
    for tries, wait in enumerate(waits[:-1], start=1):
        plain = min(30 * 4 ** (tries - 1), 86_400)
        assert 0.8 * plain <= wait <= 1.2 * plain
    assert {headers["webhook-id"] for _, headers, _ in receiver.calls} == {str(delivery.event_id)}
    assert WebhookAttempt.objects.filter(delivery=delivery, status=503).count() == outbox.MOST_TRIES

    receiver.answer = 200
    outbox.send_again(delivery, now=now)
    assert deliver(delivery, now) is True
    assert receiver.calls[-1][1]["webhook-id"] == str(delivery.event_id)


def test_a_claim_of_a_killed_sender_runs_out(hook, receiver):
    delivery = tell()
    WebhookDelivery.objects.filter(pk=delivery.pk).update(claimed_until=NOW + outbox.CLAIM, tries=1)
    assert deliver(delivery) is None
    assert outbox.due(NOW) == []
    later = NOW + outbox.CLAIM
    assert outbox.due(later) == [delivery.pk]
    assert deliver(delivery, later) is True
    assert len(receiver.calls) == 1


def test_a_redirect_is_not_followed(hook, receiver):
    receiver.answer = 302
    assert deliver(tell()) is False
    assert [path for path, _, _ in receiver.calls] == ["/hook?x=1"]
    assert WebhookAttempt.objects.get().status == 302


@pytest.mark.parametrize(("mode", "delay_s"), [("plain", 5.0), ("dripping", 0.0)])
def test_a_slow_server_is_cut_off(receiver, mode, delay_s):
    receiver.mode, receiver.delay_s = mode, delay_s
    answer = calling.call(calling.target_of(receiver.url, LOCAL), b"{}", {}, whole_s=0.6)
    assert not answer.is_good
    assert answer.problem == "No answer within 0.6 s"
    assert answer.milliseconds < 4000


def test_of_an_endless_answer_only_the_beginning_is_read(hook, receiver):
    receiver.mode = "endless"
    assert deliver(tell()) is True
    assert len(WebhookAttempt.objects.get().answer) <= 300


def test_a_dead_address_is_switched_off_with_a_notice_and_loses_nothing(
    hook, receiver, monkeypatch, django_capture_on_commit_callbacks
):
    monkeypatch.setattr(outbox, "MOST_FAILURES_IN_ROW", 3)
    receiver.answer = 500
    waiting = [tell(order_id=number) for number in range(3)]
    with django_capture_on_commit_callbacks(execute=True):
        for delivery in waiting:
            deliver(delivery)
    hook.refresh_from_db()
    assert not hook.is_on
    assert "tries in a row failed, the last: HTTP 500" in hook.off_because
    (letter,) = mail.outbox
    assert letter.to == ["owner@example.invalid"]
    assert outbox.due(NOW + timedelta(days=9)) == []

    receiver.answer = 200
    hooks.switch(hook, True, by=hook.made_by, now=NOW)
    assert outbox.due(NOW) == [delivery.pk for delivery in waiting]
    assert all(deliver(delivery) for delivery in waiting)


def test_a_receiver_that_is_gone_is_switched_off_at_once(hook, receiver):
    receiver.answer = 410
    deliver(tell())
    hook.refresh_from_db()
    assert not hook.is_on


def test_a_new_secret_overlaps_with_the_old_for_a_day(hook, receiver):
    old = hooks.secret_of(hook.salt)
    new = hooks.rotate(hook, now=NOW)
    assert new != old
    with pytest.raises(DomainError, match="still overlaps"):
        hooks.rotate(hook, now=NOW)
    deliver(tell())
    deliver(tell(), NOW + hooks.OVERLAP + timedelta(seconds=1))
    for secrets, (_, headers, body) in zip([[new, old], [new]], receiver.calls, strict=True):
        moment = int(headers["webhook-timestamp"])
        wanted = [signature(secret, headers["webhook-id"], moment, body) for secret in secrets]
        assert headers["webhook-signature"].split() == wanted


def test_no_table_holds_the_secret(hook):
    secret = hooks.secret_of(hook.salt)
    assert secret not in str(Webhook.objects.filter(pk=hook.pk).values())
    assert hook.salt not in secret


INSIDE = [
    "127.0.0.1", "10.1.2.3", "172.16.0.1", "192.168.1.1", "169.254.169.254", "100.64.0.1", "0.0.0.0",
    "224.0.0.1", "255.255.255.255", "192.0.2.1", "198.18.0.1", "::1", "::", "fe80::1", "fe80::1%eth0",
    "fc00::1", "fd00:ec2::254", "ff02::1", "::ffff:127.0.0.1", "::ffff:169.254.169.254",
    "::ffff:a00:1", "64:ff9b::7f00:1", "64:ff9b::a9fe:a9fe", "2002:7f00:1::", "2001:0:1::1", "fec0::1",
    "192.88.99.1", "192.0.0.255", "3fff::1", "5f00::1", "100::1", "2001:db8::1", "64:ff9b:1::1",
]  # fmt: skip
"""Loopback, private, link-local with the clouds' metadata, shared, reserved, mapped and tunnelled addresses
(IANA's registries of special-purpose addresses, RFC 6890)."""


@pytest.mark.parametrize("inside", INSIDE)
def test_no_address_inside_is_called_whatever_name_leads_there(inside):
    with pytest.raises(DomainError, match="not public") as refusal:
        calling.target_of("https://books.example.com/", [], lambda host, port: [inside])
    assert refusal.value.remedy


def test_one_address_inside_among_public_ones_is_enough_to_refuse():
    with pytest.raises(DomainError, match="not public"):
        calling.target_of("https://a.example.com/", [], lambda host, port: ["93.184.215.14", "10.0.0.1"])


@pytest.mark.parametrize("outside", ["93.184.215.14", "2606:2800:21f::1", "64:ff9b::5db8:d70e"])
def test_a_public_address_is_pinned(outside):
    target = calling.target_of("https://a.example.com:8443/x", [], lambda host, port: [outside])
    assert (target.host, target.port, target.path, target.address) == ("a.example.com", 8443, "/x", outside)


@pytest.mark.parametrize(
    "url",
    ["ftp://a.example.com/", "file:///etc/passwd", "https://me:pw@a.example.com/", "https:///x", "x",
     "https://a.example.com:99999/", "https://a.example.com/\r\nx", "https://a.example.com/ x", "gopher://a/",
     "https://[::1", "http://93.184.215.14/", "https://2130706433/", "https://0x7f.1/", "https://./", "https://a..b/",
     f"https://{'a' * 64}.example.com/"],
)  # fmt: skip
def test_odd_addresses_and_plain_http_are_refused(url):
    with pytest.raises(DomainError):
        calling.target_of(url, [], lambda host, port: calling.look_up(host, port) if "0x" in host or
                            host.isdigit() else ["93.184.215.14"])  # fmt: skip


def test_an_unknown_name_and_one_that_leads_inside_are_refused_in_the_same_words():
    def unknown(host, port):
        raise OSError(-2, "Name or service not known")

    told = set()
    for resolve in (unknown, lambda host, port: [], lambda host, port: ["10.0.0.1"]):
        with pytest.raises(DomainError) as refusal:
            calling.target_of("https://wiki.corp.example/", [], resolve)
        told.add(str(refusal.value))
    assert len(told) == 1
    assert "10.0.0.1" not in told.pop()


@pytest.mark.parametrize("port", [22, 25, 80, 5432, 6379, 8080])
def test_ports_of_other_services_are_called_in_own_networks_only(port):
    def resolve(host, port):
        return ["93.184.215.14"]

    with pytest.raises(DomainError, match="Port"):
        calling.target_of(f"https://a.example.com:{port}/", [], resolve)
    own = calling.networks(["93.184.215.0/24"])
    assert calling.target_of(f"https://a.example.com:{port}/", own, resolve).port == port


def test_a_name_that_later_leads_inside_is_refused_at_the_call(hook, receiver, monkeypatch):
    delivery = tell()
    assert outbox.deliver(delivery.pk, now=NOW, allowed=[]) is False
    assert receiver.calls == []
    assert "not public" in WebhookAttempt.objects.get().problem


def test_old_events_are_forgotten_but_none_that_waits(hook, receiver):
    delivered, waiting = tell(), tell()
    deliver(delivered)
    assert outbox.forget_old(NOW + timedelta(days=59)) == 0
    outbox.forget_old(NOW + timedelta(days=61))
    assert list(WebhookDelivery.objects.all()) == [waiting]
