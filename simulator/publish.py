"""The network side of simulated gateways, over paho-mqtt.

Callbacks run on paho's threads and only put events on a queue; the loop that owns the gateways
takes them from there.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from simulator.gateway import Outgoing


@dataclass(frozen=True, slots=True, kw_only=True)
class Broker:
    """Where to publish and how to get in."""

    host: str = "127.0.0.1"
    port: int = 1883
    username: str | None = None
    password: str | None = None
    tls: bool = False
    tls_ca: Path | None = None
    tls_certificate: Path | None = None
    tls_key: Path | None = None
    client_prefix: str = "gateway"


@dataclass(frozen=True, slots=True, kw_only=True)
class Connected:
    """A connection was made, first or again, for these vehicles."""

    vehicles: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """The far side holds all of a vehicle's samples up to ``seq``, none after ``time_ms``."""

    vehicle: str
    seq: int
    time_ms: int


class Connection:
    """One client, for one gateway or for all of a fleet."""

    def __init__(
        self,
        broker: Broker,
        vehicles: Sequence[str],
        events: SimpleQueue[Connected | Received],
        *,
        will: Outgoing | None,
    ) -> None:
        self._vehicles = tuple(vehicles)
        self._events = events
        self._waiting: list[mqtt.MQTTMessageInfo] = []
        name = self._vehicles[0] if len(self._vehicles) == 1 else "fleet"
        self._client = client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"{broker.client_prefix}-{name}",
            protocol=mqtt.MQTTv311,
        )
        client.max_inflight_messages_set(100)
        client.reconnect_delay_set(1, 10)
        if broker.username is not None:
            client.username_pw_set(broker.username, broker.password)
        if broker.tls:
            client.tls_set(
                ca_certs=_path(broker.tls_ca),
                certfile=_path(broker.tls_certificate),
                keyfile=_path(broker.tls_key),
            )
        if will is not None:
            client.will_set(will.topic, will.payload, qos=1, retain=True)
        client.on_connect = self._on_connect
        client.on_message = self._on_message
        client.connect_async(broker.host, broker.port, keepalive=60)
        client.loop_start()

    @property
    def up(self) -> bool:
        """Whether the broker is reached now."""
        return self._client.is_connected()

    def publish(self, message: Outgoing) -> None:
        """Hand over one message at QoS 1."""
        info = self._client.publish(
            message.topic, message.payload, qos=1, retain=message.retain
        )
        self._waiting = [waiting for waiting in self._waiting if not waiting.is_published()]
        self._waiting.append(info)

    @property
    def pending(self) -> bool:
        """Whether the broker has not taken everything yet."""
        return any(not waiting.is_published() for waiting in self._waiting)

    def close(self) -> None:
        """Say good-bye, so that no will is published."""
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(
        self,
        client: mqtt.Client,
        _userdata: Any,
        _flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            return
        shared = len(self._vehicles) > 1
        topics = ["fleet/+/received"] if shared else [f"fleet/{self._vehicles[0]}/received"]
        client.subscribe([(topic, 1) for topic in topics])
        self._events.put(Connected(vehicles=self._vehicles))

    def _on_message(
        self, _client: mqtt.Client, _userdata: Any, message: mqtt.MQTTMessage
    ) -> None:
        received = read_received(message.topic, message.payload)
        if received is not None:
            self._events.put(received)


def read_received(topic: str, payload: bytes | bytearray) -> Received | None:
    """Read an acknowledgement; what is not one counts as nothing."""
    parts = topic.split("/")
    try:
        value = json.loads(payload)
    except ValueError:
        return None
    if len(parts) != 3 or not isinstance(value, dict):
        return None
    seq = value.get("seq")
    try:
        newest = datetime.fromisoformat(value["time"])
    except (KeyError, TypeError, ValueError):
        return None
    if not isinstance(seq, int) or isinstance(seq, bool) or newest.tzinfo is None:
        return None
    return Received(vehicle=parts[1], seq=seq, time_ms=round(newest.timestamp() * 1000))


class Network:
    """The connections of a fleet: one a gateway, or one for all."""

    def __init__(
        self, broker: Broker, wills: Iterable[tuple[str, Outgoing]], *, shared: bool
    ) -> None:
        self._events: SimpleQueue[Connected | Received] = SimpleQueue()
        will_of = dict(wills)
        if shared:
            one = Connection(broker, tuple(will_of), self._events, will=None)
            self._by_vehicle = dict.fromkeys(will_of, one)
        else:
            self._by_vehicle = {
                vehicle: Connection(broker, (vehicle,), self._events, will=will)
                for vehicle, will in will_of.items()
            }

    def events(self) -> Iterable[Connected | Received]:
        """Take what has happened since the last call."""
        while True:
            try:
                yield self._events.get_nowait()
            except Empty:
                return

    def up(self, vehicle: str) -> bool:
        """Whether a vehicle's connection stands."""
        return self._by_vehicle[vehicle].up

    def publish(self, vehicle: str, message: Outgoing) -> None:
        """Publish one message of a vehicle."""
        self._by_vehicle[vehicle].publish(message)

    @property
    def pending(self) -> bool:
        """Whether any message is not yet with the broker."""
        return any(connection.pending for connection in self._connections())

    def close(self) -> None:
        """Close every connection."""
        for connection in self._connections():
            connection.close()

    def _connections(self) -> set[Connection]:
        return set(self._by_vehicle.values())


def _path(path: Path | None) -> str | None:
    return None if path is None else str(path)
