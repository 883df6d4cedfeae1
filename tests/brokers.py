"""Real brokers for tests, and peers that talk to them.

Natively installed mosquitto first, mosquitto in a container where a Docker engine answers,
otherwise the embedded one. `HEATBOOK_TEST_BROKER` names one of the three.
"""

from __future__ import annotations

import os
import shutil
import signal
import ssl
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from itertools import count
from pathlib import Path
from random import Random
from typing import Any, Literal, Protocol, cast

import pytest
from paho.mqtt.client import Client, MQTTMessage, MQTTMessageInfo, MQTTv5, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion

from deploy.broker import PROFILE, RunningBroker, free_port, mosquitto_path, start_broker
from deploy.waiting import until
from ingest.message import Message
from ingest.mqtt_settings import MqttSettings
from ingest.source import MqttSource

Kind = Literal["mosquitto", "container", "embedded"]

PATIENCE_S = 15.0
"""How long a test waits for what must happen; never how long it takes."""

_SEEDS = count(1)

EMBEDDED_CANNOT = frozenset(
    {
        "speak MQTT 5",
        "send unacknowledged messages again",
        "keep its state over a restart",
        "have settings",
        "deliver at the lower quality of service",
        "end the older of two connections",
    }
)


class Broker(Protocol):
    """What tests need of a broker."""

    kind: Kind
    host: str
    port: int

    def stop(self) -> None: ...
    def kill(self) -> None: ...
    def restart(self) -> None: ...
    def freeze(self) -> None: ...
    def thaw(self) -> None: ...


def need(kind: Kind, *abilities: str) -> None:
    """Skip by name what the embedded broker cannot do; in CI that is a failure."""
    missing = sorted(EMBEDDED_CANNOT & set(abilities)) if kind == "embedded" else []
    if missing:
        words = f"the embedded broker cannot {' nor '.join(missing)}"
        if os.environ.get("CI"):
            pytest.fail(f"{words}: install mosquitto")
        pytest.skip(words)


def need_mosquitto() -> None:
    """Skip where mosquitto is not installed; in CI that is a failure."""
    if mosquitto_path() is not None:
        return
    if os.environ.get("CI"):
        pytest.fail("install mosquitto")
    pytest.skip("mosquitto is not installed")


def available() -> Kind:
    """Choose the broker for this run."""
    named = os.environ.get("HEATBOOK_TEST_BROKER")
    if named:
        return cast("Kind", named)
    if mosquitto_path() is not None:
        return "mosquitto"
    return "container" if docker_answers() else "embedded"


def launch(
    directory: Path, *, kind: Kind | None = None, lines: Sequence[str] = PROFILE
) -> Broker:
    """Start a broker of the kind available."""
    kind = kind or available()
    if kind == "container":
        return ContainerBroker(directory, lines)
    return ChildBroker(start_broker(kind, directory=directory, lines=lines))


class ChildBroker:
    """A broker that is our child process."""

    def __init__(self, running: RunningBroker) -> None:
        self._running = running
        self.kind: Kind = running.kind
        self.host = running.host
        self.port = running.port

    def stop(self) -> None:
        self._running.stop()

    def kill(self) -> None:
        self._running.kill()

    def restart(self) -> None:
        self._running.restart()

    def freeze(self) -> None:
        os.kill(self._running.pid, signal.SIGSTOP)

    def thaw(self) -> None:
        os.kill(self._running.pid, signal.SIGCONT)


class ContainerBroker:
    """Mosquitto in a container, with the same settings; files it needs lie in `directory`."""

    def __init__(self, directory: Path, lines: Sequence[str]) -> None:
        from testcontainers.mqtt import MosquittoContainer  # noqa: PLC0415 - warns on import

        self.kind: Kind = "container"
        self.host = "127.0.0.1"
        self.port = free_port()
        directory.mkdir(parents=True, exist_ok=True)
        config = directory / "mosquitto.conf"
        settings = ["listener 1883", "persistence_location /mosquitto/data/", *lines]
        config.write_text("\n".join(settings) + "\n")
        self._container: Any = MosquittoContainer()
        self._container.with_bind_ports(1883, self.port)
        self._container.with_volume_mapping(str(directory), str(directory))
        self._container.start(str(config))

    @property
    def _inner(self) -> Any:
        return self._container.get_wrapped_container()

    def stop(self) -> None:
        self._inner.stop()

    def kill(self) -> None:
        with suppress(Exception):
            self._inner.kill()

    def restart(self) -> None:
        self._inner.restart()

    def freeze(self) -> None:
        self._inner.pause()

    def thaw(self) -> None:
        self._inner.unpause()


def docker_answers() -> bool:
    if shutil.which("docker") is None:
        return False
    asked = ["docker", "info"]
    answer = subprocess.run(asked, capture_output=True, check=False, timeout=10)  # noqa: S603
    return answer.returncode == 0


class Peer:
    """Another client: a gateway that publishes, or somebody who watches."""

    def __init__(
        self,
        broker: Broker,
        *,
        client_id: str = "",
        protocol: str = "3.1.1",
        user: tuple[str, str] | None = None,
        tls: ssl.SSLContext | None = None,
        port: int | None = None,
    ) -> None:
        version = MQTTv5 if protocol == "5" else MQTTv311
        self._client = Client(
            CallbackAPIVersion.VERSION2, client_id=client_id, protocol=version
        )
        self._subscribed = threading.Event()
        self._connected = threading.Event()
        self._client.on_message = self._keep
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.on_connect = lambda *_: self._connected.set()
        self.heard: list[tuple[str, bytes]] = []
        if user is not None:
            self._client.username_pw_set(*user)
        if tls is not None:
            self._client.tls_set_context(tls)
        self._client.max_queued_messages_set(0)
        self._client.connect(broker.host, port or broker.port)
        self._client.loop_start()
        assert self._connected.wait(PATIENCE_S)

    def _keep(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        self.heard.append((message.topic, bytes(message.payload)))

    def watch(self, name: str) -> None:
        self._subscribed.clear()
        self._client.subscribe(name, qos=1)
        assert self._subscribed.wait(PATIENCE_S)

    def post(self, topic: str, payload: bytes) -> MQTTMessageInfo:
        """Publish and wait for nothing."""
        return self._client.publish(topic, payload, qos=1)

    def publish(self, topic: str, *payloads: bytes, qos: int = 1, retain: bool = False) -> None:
        """Publish and wait until the broker has confirmed each."""
        infos = [self._client.publish(topic, p, qos=qos, retain=retain) for p in payloads]
        for info in infos:
            info.wait_for_publish(PATIENCE_S)
            assert info.is_published()

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def peer(broker: Broker, **how: Any) -> Iterator[Peer]:
    one = Peer(broker, **how)
    try:
        yield one
    finally:
        one.close()


def clock() -> int:
    """Monotonic milliseconds."""
    return time.monotonic_ns() // 1_000_000


def settings_for(broker: Broker, **changes: Any) -> MqttSettings:
    """Settings that reach `broker`, quick to come back."""
    how: dict[str, Any] = {
        "host": broker.host,
        "port": broker.port,
        "protocol": "3.1.1" if broker.kind == "embedded" else "5",
        "reconnect_min_s": 0.05,
        "reconnect_max_s": 0.2,
        **changes,
    }
    return MqttSettings(**how)


@contextmanager
def connected(
    settings: MqttSettings, *, wait: bool = True, now: Callable[[], int] = clock
) -> Iterator[MqttSource]:
    """A started source, by default once it is connected."""
    source = MqttSource(settings, clock=now, rng=Random(next(_SEEDS)))
    source.start()
    try:
        if wait:
            assert until(lambda: source.state.connected, PATIENCE_S), source.state
        yield source
    finally:
        source.stop()


def gather(
    source: MqttSource, total: int, *, ack: bool = True, timeout_s: float = PATIENCE_S
) -> list[Message]:
    """Take until there are `total` messages, or time is up."""
    got: list[Message] = []
    deadline = time.monotonic() + timeout_s
    while len(got) < total and time.monotonic() < deadline:
        some = source.take(min(250, total - len(got)), 0.1)
        if ack:
            source.ack(some)
        got += some
    return got


def numbers(messages: Sequence[Message]) -> list[int]:
    """Read payloads that are plain numbers."""
    return [int(message.payload) for message in messages]


def numbered(total: int, start: int = 0) -> list[bytes]:
    """Make payloads that are plain numbers."""
    return [b"%d" % number for number in range(start, start + total)]
