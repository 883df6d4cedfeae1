"""A small blocking MQTT client: `heatbook check` tries a broker out with it, advice goes out by it."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import replace
from types import TracebackType
from typing import Self

from paho.mqtt.client import Client, ConnectFlags, MQTTMessage
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from deploy.waiting import until
from ingest import client as mqtt
from ingest.errors import BadBroker, BrokerLost
from ingest.mqtt_settings import MqttSettings
from ingest.refusal import failed_connect, no_answer, refused_connect

EXPIRY_S = 300
"""After so long the broker forgets what an interrupted check has left (MQTT 5)."""


class Probe:
    """One connection with the user and TLS of the settings, under another client id.

    It acknowledges nothing by itself, has no last will, and never uses the daemon's session.
    """

    def __init__(
        self, settings: MqttSettings, *, suffix: str, patience_s: float, clean: bool
    ) -> None:
        self._settings = replace(
            settings,
            client_id=f"{settings.client_id[:40]}-{suffix}",
            session_expiry_s=EXPIRY_S,
        )
        self._clean = clean
        self._patience_s = patience_s
        self._answer: BadBroker | BrokerLost | None = None
        self._answered = threading.Event()
        self._granted = threading.Event()
        self._client = mqtt.build(self._settings, clean=clean)
        self._client.will_clear()
        self._client.on_connect = self._on_connect
        self._client.on_message = self._on_message
        self._client.on_subscribe = lambda *_: self._granted.set()
        self.session_present = False
        self.refusals = 0
        self.heard: list[MQTTMessage] = []

    def __enter__(self) -> Self:
        """Connect; raise the reason if that fails."""
        try:
            mqtt.connect(self._client, self._settings, clean=self._clean)
        except (OSError, UnicodeError) as error:
            raise failed_connect(error, self._settings) from error
        self._client.on_publish = self._on_publish
        self._client.loop_start()
        if not self._answered.wait(self._patience_s):
            self._leave()
            raise no_answer(self._settings)
        if self._answer is not None:
            self._leave()
            raise self._answer
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._leave()

    def subscribe(self, name: str) -> bool:
        """Subscribe at QoS 1 and wait for the answer."""
        self._granted.clear()
        mqtt.subscribe(self._client, replace(self._settings, filters=(name,)))
        return self._granted.wait(self._patience_s)

    def publish(self, topic: str, payloads: Sequence[bytes], *, retain: bool = False) -> int:
        """Publish at QoS 1; return how many the broker confirmed as accepted."""
        sent = [
            self._client.publish(topic, payload, qos=1, retain=retain) for payload in payloads
        ]
        until(lambda: all(info.is_published() for info in sent), self._patience_s)
        return sum(info.is_published() for info in sent) - self.refusals

    def hears(self, count: int, wait_s: float | None = None) -> bool:
        """Wait until `count` messages have come; each new one renews the patience."""
        patience_s = self._patience_s if wait_s is None else wait_s
        seen = -1
        while seen < len(self.heard) < count:
            seen = len(self.heard)
            until(lambda: len(self.heard) > seen, patience_s)  # noqa: B023 - used at once
        return len(self.heard) >= count

    def ack(self, messages: Sequence[MQTTMessage]) -> None:
        """Acknowledge."""
        for message in messages:
            self._client.ack(message.mid, message.qos)

    def _leave(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(
        self,
        _client: Client,
        _userdata: object,
        flags: ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self.session_present = flags.session_present
        self._answer = refused_connect(reason) if reason.is_failure else None
        self._answered.set()

    def _on_publish(
        self,
        _client: Client,
        _userdata: object,
        _mid: int,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self.refusals += reason.is_failure

    def _on_message(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        self.heard.append(message)
