"""A second connection that tells a fight over our client id from a broker in trouble.

Both end our connection again and again, and many brokers do not say why. But whoever takes our
client id ends our connection alone, while a broker or a network that fails ends this one too.
"""

from __future__ import annotations

import threading
from dataclasses import replace
from types import TracebackType
from typing import Self

from ingest import client as mqtt
from ingest.errors import BadBroker
from ingest.mqtt_settings import MqttSettings

ANSWER_S = 3.0
"""How long an answer may take before the witness counts for nothing [s]."""


class Witness:
    """Connected, under a client id of its own, for as long as the `with` block lasts."""

    def __init__(self, settings: MqttSettings, *, token: str) -> None:
        self._settings = replace(
            settings, client_id=f"{settings.client_id[:40]}-witness-{token}"
        )
        self._ended = threading.Event()
        self._answered = threading.Event()
        self._client = mqtt.build(self._settings, clean=True)
        self._client.on_connect = lambda *_: self._answered.set()
        self._client.on_disconnect = lambda *_: self._ended.set()
        self._client.on_unsubscribe = lambda *_: self._answered.set()

    def __enter__(self) -> Self:
        try:
            mqtt.connect(self._client, self._settings, clean=True)
        except (OSError, UnicodeError, BadBroker):
            self._ended.set()
            return self
        self._client.loop_start()
        self._answered.wait(ANSWER_S)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def stands(self) -> bool:
        """Tell whether its connection has lasted until now and the broker still answers."""
        self._answered.clear()
        if self._ended.is_set() or not self._client.is_connected():
            return False
        # Any request that is answered and changes nothing.
        self._client.unsubscribe(self._settings.status_topic)
        return self._answered.wait(ANSWER_S) and not self._ended.is_set()
