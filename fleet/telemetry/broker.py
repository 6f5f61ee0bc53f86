"""The connection to the broker: MQTT 5, a session that outlives a restart, acknowledged by hand."""

import ssl
import time
from dataclasses import dataclass, field

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from fleet.telemetry.dead_letters import Message
from shared.errors import DomainError
from shared.messages import message

SESSION_SECONDS = 86_400
"""How long the broker keeps a listener's unacknowledged messages while it is away."""
KEEPALIVE_SECONDS = 30
PAUSE_S = 0.02
"""So long without a further message is a pause: what came is saved. [s]"""
NAME_TAKEN = 142
"""Reason code 0x8E of MQTT 5: another client came under the same name."""


@dataclass(frozen=True)
class BrokerSettings:
    """Where the broker is and how to get in."""

    host: str
    port: int = 1883
    user: str = ""
    password: str = ""
    tls: bool = False
    ca_file: str = ""
    group: str = "tapward"
    """Listeners of one group share the load; empty: this one listens alone."""


@dataclass(frozen=True)
class Arrived:
    """A message with the number by which it is acknowledged."""

    message: Message
    number: int
    qos: int


@dataclass
class LineState:
    """Whether the line stands, what it listens to, and what came in without being acknowledged yet."""

    waiting: list[Arrived] = field(default_factory=list)
    is_connected: bool = False
    filters: set[str] = field(default_factory=set)
    fault: str = ""


class Broker:
    """One listener's line to the broker. Everything happens in the thread that calls ``turn``."""

    def __init__(self, name: str, settings: BrokerSettings, *, most_waiting: int) -> None:
        self.line = LineState()
        self._settings = settings
        self._most_waiting = most_waiting
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv5,
                                   manual_ack=True)  # fmt: skip
        self._client.on_connect = self._connected
        self._client.on_disconnect = self._disconnected
        self._client.on_message = self._arrived
        if settings.user:
            self._client.username_pw_set(settings.user, settings.password)
        if settings.tls:
            self._client.tls_set_context(ssl.create_default_context(cafile=settings.ca_file or None))

    def connect(self) -> None:
        """Connect and wait for nothing: ``turn`` carries it through. Raises OSError."""
        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = SESSION_SECONDS
        # The broker sends no more than this without an acknowledgement, so memory stays flat.
        properties.ReceiveMaximum = self._most_waiting
        self._client.connect(
            self._settings.host, self._settings.port, KEEPALIVE_SECONDS,
            clean_start=False, properties=properties,
        )  # fmt: skip

    def turn(self, seconds: float) -> bool:
        """Send and receive until a batch is full, the flow pauses or the time is over.

        Returns false when the line is down. Raises DomainError when the broker refused this listener for
        good.
        """
        until = time.monotonic() + seconds
        waiting = self.line.waiting
        while True:
            before = len(waiting)
            # The client reads one packet a call.
            left = until - time.monotonic()
            code = self._client.loop(max(0.0, min(left, PAUSE_S) if waiting else left))
            if self.line.fault:
                raise DomainError(
                    self.line.fault, remedy=message("Check name, user and password of this listener.")
                )
            if code != mqtt.MQTT_ERR_SUCCESS:
                return False
            has_paused = bool(waiting) and len(waiting) == before
            if has_paused or len(waiting) >= self._most_waiting or time.monotonic() >= until:
                return True

    def listen_to(self, filters: set[str]) -> None:
        """Bring subscriptions in line. Listeners of one group share what comes."""
        if not self.line.is_connected:
            return
        for gone in self.line.filters - filters:
            self._client.unsubscribe(self._shared(gone))
        for fresh in sorted(filters - self.line.filters):
            self._client.subscribe(self._shared(fresh), qos=1)
        self.line.filters = set(filters)

    def acknowledge(self, arrived: list[Arrived]) -> None:
        """Acknowledge saved messages in the order they came (MQTT 5, 4.6)."""
        for one in arrived:
            self._client.ack(one.number, one.qos)
        del self.line.waiting[: len(arrived)]

    def leave(self) -> None:
        """Close the line; the broker keeps the session for a while."""
        properties = Properties(PacketTypes.DISCONNECT)
        properties.SessionExpiryInterval = SESSION_SECONDS
        self._client.disconnect(properties=properties)
        self._client.loop(0.2)

    def _shared(self, topic_filter: str) -> str:
        group = self._settings.group
        return f"$share/{group}/{topic_filter}" if group else topic_filter

    def _connected(self, client, userdata, flags, reason, properties) -> None:
        if reason.is_failure:
            if reason.value in (0x84, 0x85, 0x86, 0x87, 0x8C):
                self.line.fault = f"The broker refused the listener: {reason}."
            return
        self.line.is_connected = True
        # A subscription is made again: the session may be gone, and twice does no harm.
        self.line.filters = set()

    def _disconnected(self, client, userdata, flags, reason, properties) -> None:
        # What was not acknowledged comes again; old numbers mean nothing on the next line.
        self.line.is_connected = False
        self.line.waiting.clear()
        if reason.value == NAME_TAKEN:
            self.line.fault = "Another listener came under the same name."

    def _arrived(self, client, userdata, message: mqtt.MQTTMessage) -> None:
        found = Message(message.topic, bytes(message.payload))
        self.line.waiting.append(Arrived(found, message.mid, message.qos))
