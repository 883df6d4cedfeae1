"""What happens when the broker, the network, or our own code fails."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable
from random import Random

import pytest
from paho.mqtt.client import Client

from deploy.broker import free_port
from deploy.waiting import until
from ingest.mqtt_settings import MqttSettings
from ingest.source import MqttSource
from tests.brokers import (
    PATIENCE_S,
    Broker,
    clock,
    connected,
    gather,
    need,
    numbered,
    numbers,
    peer,
    settings_for,
)
from tests.doorman import doorman

TOPIC = "fleet/NF-01/telemetry"


def test_it_connects_when_the_broker_comes_later(broker: Broker) -> None:
    broker.stop()
    with connected(settings_for(broker), wait=False) as source:
        assert source.take(1, 0.05) == []
        assert source.state.phase == "connecting"
        broker.restart()
        assert until(lambda: source.state.connected, PATIENCE_S)


def test_it_goes_on_after_the_broker_restarts(broker: Broker) -> None:
    need(broker.kind, "keep its state over a restart")
    with connected(settings_for(broker)) as source:
        with peer(broker) as gateway:
            gateway.publish(TOPIC, *numbered(10))
        assert numbers(gather(source, 10)) == list(range(10))
        broker.restart()
        assert until(lambda: source.state.generation == 2, PATIENCE_S)
        with peer(broker) as gateway:
            gateway.publish(TOPIC, b"10")
        # Acknowledgements that were under way come to nothing: a repetition is in order.
        while numbers(gather(source, 1)) != [10]:
            pass
        state = source.state
        assert (state.disconnects, state.sessions_lost, state.session_present) == (1, 0, True)


def test_it_subscribes_again_when_a_killed_broker_has_lost_the_session(broker: Broker) -> None:
    with connected(settings_for(broker)) as source:
        with peer(broker) as gateway:
            gateway.publish(TOPIC, b"0")
        assert numbers(gather(source, 1)) == [0]
        broker.kill()
        broker.restart()
        assert until(lambda: source.state.sessions_lost == 1, PATIENCE_S)
        assert until(lambda: source.state.connected and not source.state.unsent, PATIENCE_S)
        with peer(broker) as gateway:
            gateway.publish(TOPIC, b"1")
        assert numbers(gather(source, 1)) == [1]


def test_a_frozen_broker_is_noticed_and_left(broker: Broker) -> None:
    settings = settings_for(broker, keepalive_s=1, connect_timeout_s=1.0)
    with connected(settings) as source:
        broker.freeze()
        try:
            assert until(lambda: source.state.disconnects == 1, PATIENCE_S)
            assert until(lambda: "does not answer" in (source.state.refused or ""), PATIENCE_S)
        finally:
            broker.thaw()
        assert until(lambda: source.state.connected, PATIENCE_S)
        with peer(broker) as gateway:
            gateway.publish(TOPIC, b"1")
        assert numbers(gather(source, 1)) == [1]
        assert source.state.phase == "connected"


def test_an_exception_at_the_door_costs_neither_thread_nor_message(broker: Broker) -> None:
    failing = threading.Event()

    def moody_clock() -> int:
        if failing.is_set() and _called_from("_on_message"):
            raise RuntimeError("no time")
        return clock()

    with (
        connected(settings_for(broker), now=moody_clock) as source,
        peer(broker) as gateway,
    ):
        failing.set()
        gateway.publish(TOPIC, b"1")
        (message,) = gather(source, 1, ack=False)
        assert message.payload == b"1"
        assert source.state.unacked == 1
        failing.clear()
        gateway.publish(TOPIC, b"2")
        assert numbers(gather(source, 1)) == [2]
        assert source.state.restarts == 0


def _called_from(name: str) -> bool:
    import inspect  # noqa: PLC0415 - only this trick needs it

    return any(frame.function == name for frame in inspect.stack())


def test_the_thread_of_the_library_dies_of_an_exception_which_is_why_ours_is_our_own(
    broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(threading, "excepthook", lambda _: None)
    died = threading.Event()

    def fail(*_: object) -> None:
        died.set()
        raise RuntimeError

    with peer(broker, client_id="victim") as victim, peer(broker) as gateway:
        library: Client = victim._client
        library.on_message = fail
        victim.watch(TOPIC)
        gateway.publish(TOPIC, b"1")
        assert died.wait(PATIENCE_S)
        assert until(lambda: library._thread is None, PATIENCE_S)
        assert library.is_connected()


def test_a_dead_network_thread_is_replaced_and_counted(broker: Broker) -> None:
    failing = threading.Event()

    def moody_clock() -> int:
        if failing.is_set() and threading.current_thread().name == "mqtt-network":
            failing.clear()
            raise RuntimeError("no time")
        return clock()

    with connected(settings_for(broker), now=moody_clock) as source:
        failing.set()
        assert until(
            lambda: source.take(1, 0.01) == [] and source.state.restarts == 1, PATIENCE_S
        )
        assert until(lambda: source.state.connected, PATIENCE_S)
        with peer(broker) as gateway:
            gateway.publish(TOPIC, b"1")
        assert numbers(gather(source, 1)) == [1]


def test_a_hanging_network_thread_is_replaced_and_its_late_words_ignored(
    broker: Broker,
) -> None:
    hang, release = threading.Event(), threading.Event()

    def stopped_clock() -> int:
        if hang.is_set() and threading.current_thread().name == "mqtt-network":
            hang.clear()
            release.wait(PATIENCE_S)
        return clock()

    source = MqttSource(settings_for(broker), clock=stopped_clock, rng=Random(1), stall_ms=1500)
    source.start()
    try:
        assert until(lambda: source.state.connected, PATIENCE_S)
        hang.set()
        assert until(
            lambda: source.take(1, 0.01) == [] and source.state.restarts == 1, PATIENCE_S
        )
        assert until(lambda: source.state.connected, PATIENCE_S)
        release.set()
        with peer(broker) as gateway:
            gateway.publish(TOPIC, b"1")
        assert numbers(gather(source, 1)) == [1]
        assert source.state.phase == "connected"
    finally:
        release.set()
        source.stop()


def test_its_last_will_tells_watchers_that_it_is_gone(broker: Broker) -> None:
    with peer(broker) as watcher:
        watcher.watch("heatbook/+/status")
        with connected(settings_for(broker, client_id="box-1")) as source:
            assert until(lambda: len(watcher.heard) == 1, PATIENCE_S)
            connection = source._connection
            assert connection is not None
            source._stopping.set()  # so that it does not come back
            connection.abandon()
            assert until(lambda: len(watcher.heard) == 2, PATIENCE_S)
    topic = "heatbook/box-1/status"
    assert watcher.heard == [(topic, b'{"online":true}'), (topic, b'{"online":false}')]


def test_it_says_goodbye_when_stopped(broker: Broker) -> None:
    with connected(settings_for(broker, client_id="box-1")) as source:
        assert until(lambda: not source.state.unsent, PATIENCE_S)
    assert source.state.phase == "stopped"
    with peer(broker) as watcher:
        watcher.watch("heatbook/+/status")
        assert until(lambda: bool(watcher.heard), PATIENCE_S)
    assert watcher.heard == [("heatbook/box-1/status", b'{"online":false}')]


def test_while_away_the_newest_per_topic_is_kept_and_sent(broker: Broker) -> None:
    with connected(settings_for(broker)) as source:
        broker.stop()
        assert until(lambda: not source.state.connected, PATIENCE_S)
        for number in range(50):
            source.publish("fleet/NF-01/received", b"%d" % number, retain=True)
        source.publish("fleet/NF-02/received", b"7", retain=True)
        assert source.state.unsent == 2
        broker.restart()
        with peer(broker) as watcher:
            watcher.watch("fleet/+/received")
            assert until(lambda: len(watcher.heard) == 2, PATIENCE_S)
    assert sorted(watcher.heard) == [
        ("fleet/NF-01/received", b"49"),
        ("fleet/NF-02/received", b"7"),
    ]


def test_many_publishes_pass_a_small_window(broker: Broker) -> None:
    topics = [f"fleet/T{number}/received" for number in range(200)]
    with connected(settings_for(broker)) as source, peer(broker) as watcher:
        watcher.watch("fleet/+/received")
        for topic in topics:
            source.publish(topic, b"1", retain=False)
        assert until(lambda: len(watcher.heard) == len(topics), PATIENCE_S)
        assert [topic for topic, _ in watcher.heard] == topics


@pytest.mark.parametrize("topic", ["", "fleet/+/received", "fleet/#", "a\0b"])
def test_a_topic_nobody_can_publish_on_is_refused_at_once(topic: str) -> None:
    source = MqttSource(MqttSettings(), clock=clock, rng=Random(1))
    with pytest.raises(ValueError, match="not a topic"):
        source.publish(topic, b"", retain=False)


def test_nobody_there_is_not_refused_but_tried_again() -> None:
    settings = MqttSettings(host="127.0.0.1", port=free_port(), reconnect_min_s=0.05)
    with connected(settings, wait=False) as source:
        assert until(lambda: source.take(1, 0.05) == [], PATIENCE_S)
        assert source.state.phase == "connecting"
        assert source.state.refused is None


@pytest.mark.parametrize(
    ("greet", "words"),
    [
        (socket.socket.close, None),
        (lambda _link: None, "accepts connections but does not answer"),
    ],
)
def test_a_port_that_is_no_broker(
    greet: Callable[[socket.socket], None], words: str | None
) -> None:
    tries: list[socket.socket] = []

    def count_and_greet(link: socket.socket) -> None:
        tries.append(link)
        greet(link)

    with doorman(count_and_greet) as port:
        settings = MqttSettings(
            host="127.0.0.1", port=port, connect_timeout_s=0.3, reconnect_min_s=0.05
        )
        with connected(settings, wait=False) as source:
            assert until(lambda: len(tries) >= 2, PATIENCE_S)  # it tries again
            if words is not None:
                assert until(lambda: words in (source.state.refused or ""), PATIENCE_S)
