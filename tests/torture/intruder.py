"""A client that tries one thing and says what came of it, whether it is let be or shown out."""

from __future__ import annotations

import ssl
import threading

from paho.mqtt.client import Client, MQTTMessage, MQTTv5, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

from deploy.waiting import until
from tests.brokers import PATIENCE_S
from tests.torture.tries import Try


class Intruder:
    """One connection. ``over`` says that the broker has ended it, or never began it."""

    def __init__(
        self,
        port: int,
        tls: ssl.SSLContext,
        *,
        protocol: str = "3.1.1",
        client_id: str = "",
        clean: bool = True,
        will: Try | None = None,
        payload: bytes = b"",
    ) -> None:
        modern = protocol == "5"
        self._client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            clean_session=None if modern else clean or not client_id,
            protocol=MQTTv5 if modern else MQTTv311,
            reconnect_on_failure=False,
        )
        self._client.tls_set_context(tls)
        if will is not None:
            self._client.will_set(will.topic, payload, qos=will.qos, retain=will.retain)
        self._answered, self._granted = threading.Event(), threading.Event()
        self.heard: list[tuple[str, bytes]] = []
        self.over = False
        self._client.on_connect = lambda *_: self._answered.set()
        self._client.on_subscribe = lambda *_: self._granted.set()
        self._client.on_disconnect = lambda *_: self._end()
        self._client.on_message = self._keep
        if modern:
            self._client.connect("127.0.0.1", port, clean_start=clean)
        else:
            self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._answered.wait(PATIENCE_S)

    def _keep(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        self.heard.append((message.topic, bytes(message.payload)))

    def _end(self) -> None:
        self.over = True
        self._answered.set()
        self._granted.set()

    def publish(self, one: Try, payload: bytes) -> None:
        """Publish; wait until the broker has taken it or has shown us out."""
        info = self._client.publish(one.topic, payload, qos=one.qos, retain=one.retain)
        if info.rc == MQTTErrorCode.MQTT_ERR_SUCCESS:
            assert until(lambda: info.is_published() or self.over, PATIENCE_S)

    def watch(self, name: str) -> None:
        """Subscribe; wait for the answer, whatever it is."""
        self._granted.clear()
        self._client.subscribe(name, qos=1)
        assert self._granted.wait(PATIENCE_S)

    def hears(self, topic: str, payload: bytes) -> bool:
        """Wait for a message that is meant for us, or for the end."""
        until(lambda: (topic, payload) in self.heard or self.over, PATIENCE_S)
        return (topic, payload) in self.heard

    def vanish(self) -> None:
        """End as a truck in a tunnel does: the broker sends the last will."""
        self._client._sock_close()
        self._client.loop_stop()

    def close(self) -> None:
        """End in order."""
        self._client.disconnect()
        self._client.loop_stop()
