"""A real broker: restarted mid-stream, listeners killed before they acknowledge, two that share the load."""

import json
import os
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from fleet.models import DeadLetter, MeterReading, TelemetryDay
from tests import factories as make
from tests import servers
from tests.conftest import leave_out
from tests.faults.fleet_at_risk import ROOT, database_url, wait_until
from tests.fleet.telemetry.telemetry_maps import water_map

pytestmark = [pytest.mark.postgres, pytest.mark.slow, pytest.mark.django_db(transaction=True)]
START = datetime(2026, 10, 1, tzinfo=UTC)


@pytest.fixture
def broker():
    """A mosquitto of the test's own: process, port and folder, in a dict so that it can be started anew."""
    try:
        process, port, home = servers.start_mosquitto()
    except servers.NoServer as error:
        leave_out(str(error))
    running = {"process": process, "port": port, "home": home}
    yield running
    running["process"].kill()
    running["process"].wait(10)


@pytest.fixture
def listeners(broker):
    """Starts listeners; whatever is left is killed."""
    started = []

    def start(name, *more, module="manage.py"):
        env = {
            **os.environ, "DATABASE_URL": database_url(), "DJANGO_SETTINGS_MODULE": "shared.config.settings",
            "TAPWARD_SECRET_KEY": "only-for-tests-" + "x" * 50, "TAPWARD_MQTT_HOST": "127.0.0.1",
            "TAPWARD_MQTT_PORT": str(broker["port"]),
        }  # fmt: skip
        command = (
            [sys.executable, "manage.py", "listen_meters", "--name", name, "--batch", "50", *more]
            if module == "manage.py"
            else [sys.executable, "-m", module, name]
        )
        process = subprocess.Popen(
            command, cwd=ROOT, env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            preexec_fn=servers.die_with_parent,
        )  # fmt: skip
        started.append(process)
        # It says so just before it connects; messages sent before it has subscribed would reach nobody.
        assert "listens at" in process.stderr.readline()
        return process

    yield start
    for process in started:
        if process.poll() is None:
            process.kill()
        process.communicate(timeout=20)


def stop(process):
    process.send_signal(signal.SIGTERM)
    told, _ = process.communicate(timeout=60)
    return told


def send(port, topic, payloads, *, pause_s=0.0):
    """Send at least once, waiting for each to be taken by the broker, over its restarts."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.reconnect_delay_set(1, 1)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for payload in payloads:
        client.publish(topic, payload, qos=1).wait_for_publish(60)
        time.sleep(pause_s)
    client.disconnect()
    client.loop_stop()


def payload_of(hour, total=None):
    at = START + timedelta(hours=hour)
    return json.dumps({"at": at.isoformat(), "litres": 1000.0 + hour if total is None else total})


def unit_with_meter(serial):
    unit = make.treatment_unit(serial=serial)
    make.meter(unit, installed_at=START - timedelta(days=30))
    return unit


def wait_for_subscription(port, serial):
    """Send a first reading until it is there: from then on the listener is subscribed."""

    def is_there():
        send(port, f"sites/x/units/{serial}/water", [payload_of(0)])
        time.sleep(0.5)
        return MeterReading.objects.filter(treatment_unit__serial=serial).exists()

    wait_until(is_there, "a listener has subscribed")


def test_a_listener_killed_between_saving_and_acknowledging_adds_nothing_twice(broker, listeners):
    unit_with_meter("RO-1")
    water_map()
    first = listeners("listener-a")
    wait_for_subscription(broker["port"], "RO-1")
    stop(first)

    doomed = listeners("listener-a", module="tests.faults.listener_process")
    time.sleep(2)
    send(broker["port"], "sites/x/units/RO-1/water", [payload_of(1), payload_of(2)])
    assert "saved but not acknowledged" in doomed.stdout.readline()
    doomed.kill()
    doomed.wait(10)
    saved = MeterReading.objects.count()
    assert saved >= 2

    again = listeners("listener-a")
    wait_until(lambda: TelemetryDay.objects.get().duplicates >= saved - 1, "they came again and were known")
    wait_until(lambda: MeterReading.objects.count() == 3, "and what was still to come is there")
    stop(again)
    assert MeterReading.objects.values("meter", "read_at").distinct().count() == 3
    assert MeterReading.objects.filter(revision=0).count() == 3


def restart(broker):
    broker["process"].send_signal(signal.SIGTERM)
    broker["process"].wait(20)
    broker["process"], _, _ = servers.start_mosquitto(broker["port"], broker["home"])


def test_a_broker_restarted_mid_stream_costs_a_lone_listener_no_reading(broker, listeners):
    unit_with_meter("RO-1")
    water_map()
    listener = listeners("listener-a", "--alone")
    wait_for_subscription(broker["port"], "RO-1")

    send(broker["port"], "sites/x/units/RO-1/water", [payload_of(hour) for hour in range(1, 30)])
    restart(broker)
    send(broker["port"], "sites/x/units/RO-1/water", [payload_of(hour) for hour in range(30, 60)])

    wait_until(lambda: MeterReading.objects.count() == 60, "all 60 readings are saved")
    stop(listener)
    assert MeterReading.objects.values("meter", "read_at").distinct().count() == 60
    assert not DeadLetter.objects.exists()


def test_sharing_listeners_subscribe_anew_at_a_restarted_broker_that_forgot_them(broker, listeners):
    unit_with_meter("RO-1")
    unit_with_meter("RO-2")
    water_map()
    both = [listeners("listener-a"), listeners("listener-b")]
    wait_for_subscription(broker["port"], "RO-1")
    restart(broker)
    wait_for_subscription(broker["port"], "RO-2")
    send(broker["port"], "sites/x/units/RO-1/water", [payload_of(hour) for hour in range(1, 40)])
    wait_until(lambda: MeterReading.objects.count() == 41, "all readings are saved")
    for process in both:
        stop(process)
    assert MeterReading.objects.values("meter", "read_at").distinct().count() == 41


def test_two_listeners_split_the_load_and_take_each_reading_once(broker, listeners):
    unit_with_meter("RO-1")
    water_map()
    both = [listeners("listener-a"), listeners("listener-b")]
    wait_for_subscription(broker["port"], "RO-1")
    time.sleep(3)
    send(broker["port"], "sites/x/units/RO-1/water", [payload_of(hour) for hour in range(1, 201)])
    wait_until(lambda: MeterReading.objects.count() == 201, "all readings are saved")
    told = [stop(process) for process in both]
    took = [int(words.split(" messages")[0]) for words in told]
    assert min(took) > 40, f"one took nearly all: {told}"
    assert MeterReading.objects.values("meter", "read_at").distinct().count() == 201


def test_poison_among_good_messages_goes_to_the_dead_letters_and_stops_nobody(broker, listeners):
    unit_with_meter("RO-1")
    water_map()
    listener = listeners("listener-a")
    wait_for_subscription(broker["port"], "RO-1")
    poison = [b"\xff\xfe", b"[" * 50_000, b"{", b'{"at": "2026-10-01T05:00:00Z", "litres": NaN}',
              b"\x00" * 100, b'{"at": "9999-12-31T23:59:59Z", "litres": 5}']  # fmt: skip
    send(broker["port"], "sites/x/units/RO-1/water", [*poison, payload_of(7)])
    wait_until(lambda: MeterReading.objects.count() == 2, "the good one is saved")
    wait_until(lambda: DeadLetter.objects.count() == len(poison), "each poison is kept with its reason")
    stop(listener)
    assert all(letter.reason and letter.remedy for letter in DeadLetter.objects.all())
