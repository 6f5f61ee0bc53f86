"""How fast one listener takes messages from a real broker, beside one that only acknowledges."""

import json
import time
import uuid
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from fleet.models import MeterReading
from fleet.telemetry.broker import Broker, BrokerSettings
from fleet.telemetry.listener import Listener, Pace
from fleet.telemetry.mapping import keep_map
from shared.errors import DomainError
from tests.benchmarks.synthetic_fleet import load_synthetic_fleet, vacuum

UNITS: Final = 1000
BATCH: Final = 500
LONGEST_S: Final = 120.0


@dataclass(frozen=True)
class TelemetryFigures:
    """What was measured: one listener over a backlog. [messages/s]"""

    messages: int
    published_per_second: float
    """What the broker took from one sender, each message acknowledged: its own storing included."""
    saved_per_second: float
    bare_per_second: float
    """The same messages received and acknowledged by the same client, nothing read of them."""
    saved_over_bare: float


def measure_telemetry(
    messages: int, settings: BrokerSettings, *, now: datetime, read_clock: Callable[[], datetime]
) -> TelemetryFigures:
    """Send readings of a made-up fleet through a broker into the connected, empty database.

    Two sessions get every message: one is emptied without saving, one by the listener itself. Raises
    DomainError
    where a message does not arrive.
    """
    load_synthetic_fleet(UNITS, 4, seed=1)
    vacuum()
    root = f"tapward-benchmark-{uuid.uuid4().hex[:8]}"
    alone = replace(settings, group="")
    keep_map("benchmark", _mapping(root), by=None, now=now - timedelta(days=1))
    names = [f"{root}-{kind}" for kind in ("bare", "saving")]
    for name in names:
        _subscribe(name, alone, root)
    before = MeterReading.objects.count()
    published_s = _publish(messages, settings, root, now)
    bare_s = _empty(names[0], alone, messages)
    saving = Broker(names[1], alone, most_waiting=BATCH)
    until = time.monotonic() + LONGEST_S
    listener = Listener(
        saving, Pace(batch=BATCH), read_clock=read_clock,
        should_stop=lambda: listener.tally.messages >= messages or time.monotonic() > until,
    )  # fmt: skip
    began = time.perf_counter()
    listener.run()
    saved_s = time.perf_counter() - began
    saved = MeterReading.objects.count() - before
    if saved != messages:
        raise DomainError(
            f"Of {messages} messages {saved} were saved.", remedy="Let the broker keep as many."
        )
    return TelemetryFigures(
        messages=messages,
        published_per_second=messages / published_s,
        saved_per_second=messages / saved_s,
        bare_per_second=messages / bare_s,
        saved_over_bare=bare_s / saved_s,
    )


def _mapping(root: str) -> dict:
    field = {"quantity": "permeate_total", "path": "gal", "measure": "gal"}
    return {"topic": f"{root}/{{serial}}/water", "rows_path": "", "serial_path": "", "moment_path": "at",
            "moment_form": "iso", "fields": [field]}  # fmt: skip


def _subscribe(name: str, settings: BrokerSettings, root: str) -> None:
    broker = Broker(name, settings, most_waiting=BATCH)
    broker.connect()
    until = time.monotonic() + 10
    while not broker.line.is_connected and time.monotonic() < until:
        broker.turn(0.1)
    broker.listen_to({f"{root}/+/water"})
    broker.turn(0.5)
    broker.leave()


def _publish(messages: int, settings: BrokerSettings, root: str, now: datetime) -> float:
    """Send them at least once each; return how long the broker took. [s]"""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.max_inflight_messages_set(BATCH)
    if settings.user:
        client.username_pw_set(settings.user, settings.password)
    client.connect(settings.host, settings.port)
    client.loop_start()
    began = time.perf_counter()
    sent = []
    for i in range(messages):
        at = now - timedelta(hours=20) + timedelta(minutes=i // UNITS)
        payload = json.dumps({"at": at.isoformat(), "gal": 100_000.0 + i // UNITS})
        sent.append(client.publish(f"{root}/M-{i % UNITS}/water", payload, qos=1))
    for one in sent:
        one.wait_for_publish(LONGEST_S)
    spent = time.perf_counter() - began
    client.disconnect()
    client.loop_stop()
    return spent


def _empty(name: str, settings: BrokerSettings, messages: int) -> float:
    broker = Broker(name, settings, most_waiting=BATCH)
    began, taken = time.perf_counter(), 0
    broker.connect()
    while taken < messages:
        if not broker.turn(0.25) or time.perf_counter() - began > LONGEST_S:
            raise DomainError(f"Of {messages} messages {taken} came.", remedy="Let the broker keep as many.")
        taken += len(broker.line.waiting)
        broker.acknowledge(list(broker.line.waiting))
    spent = time.perf_counter() - began
    broker.leave()
    return spent
