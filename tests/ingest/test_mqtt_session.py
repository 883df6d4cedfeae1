"""The session with a real broker: what it keeps, and what an acknowledgement is worth."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from deploy.waiting import until
from ingest.message import Message
from ingest.mqtt_settings import Protocol
from tests.brokers import (
    PATIENCE_S,
    Broker,
    connected,
    gather,
    need,
    numbered,
    numbers,
    peer,
    settings_for,
)
from tests.conftest import LaunchBroker

TOPIC = "fleet/NF-01/telemetry"
ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(params=["5", "3.1.1"])
def protocol(request: pytest.FixtureRequest, broker: Broker) -> Protocol:
    chosen: Protocol = request.param
    if chosen == "5":
        need(broker.kind, "speak MQTT 5")
    return chosen


def test_messages_arrive_in_order_and_are_acknowledged(
    broker: Broker, protocol: Protocol
) -> None:
    with connected(settings_for(broker, protocol=protocol)) as source, peer(broker) as gateway:
        gateway.publish(TOPIC, *numbered(300))
        got = gather(source, 300)
        assert numbers(got) == list(range(300))
        assert {message.topic for message in got} == {TOPIC}
        state = source.state
        assert (state.received, state.acked, state.unacked) == (300, 300, 0)
        assert state.last_message_ms is not None


def test_a_batch_is_bounded_and_an_empty_wait_ends(broker: Broker) -> None:
    with connected(settings_for(broker)) as source, peer(broker) as gateway:
        assert source.take(10, 0.01) == []
        gateway.publish(TOPIC, *numbered(25))
        assert until(lambda: source.state.received == 25, PATIENCE_S)
        assert [len(source.take(10, 1.0)) for _ in range(3)] == [10, 10, 5]


def test_several_filters_are_heard_and_others_are_not(broker: Broker) -> None:
    settings = settings_for(broker, filters=("fleet/+/telemetry", "yard/#"))
    with connected(settings) as source, peer(broker) as gateway:
        assert until(lambda: not source.state.unsent, PATIENCE_S)
        gateway.publish("fleet/NF-02/telemetry", b"1")
        gateway.publish("fleet/NF-02/other", b"2")
        gateway.publish("yard/gate/north", b"3")
        assert numbers(gather(source, 2)) == [1, 3]
        assert source.take(1, 0.1) == []


def test_the_session_collects_while_the_daemon_is_away(
    broker: Broker, protocol: Protocol
) -> None:
    settings = settings_for(broker, protocol=protocol)
    with connected(settings) as source:
        gather(source, 1, timeout_s=0.2)
    with peer(broker) as gateway:
        gateway.publish(TOPIC, *numbered(100))
    with connected(settings) as source:
        assert source.state.session_present
        assert numbers(gather(source, 100)) == list(range(100))


def test_unacknowledged_messages_come_again(broker: Broker, protocol: Protocol) -> None:
    need(broker.kind, "send unacknowledged messages again")
    settings = settings_for(broker, protocol=protocol)
    with connected(settings) as source, peer(broker) as gateway:
        gateway.publish(TOPIC, *numbered(10))
        got = gather(source, 10, ack=False)
        source.ack(got[:4])
    with connected(settings) as source:
        assert numbers(gather(source, 6)) == [4, 5, 6, 7, 8, 9]
        assert source.take(1, 0.1) == []


def test_a_message_nobody_can_use_stays_until_acknowledged(broker: Broker) -> None:
    need(broker.kind, "send unacknowledged messages again")
    settings = settings_for(broker)
    with peer(broker) as gateway:
        with connected(settings) as source:
            gateway.publish(TOPIC, b"\xff\x00 not for us", b"1")
            poison, good = gather(source, 2, ack=False)
            source.ack([good])
        with connected(settings) as source:
            again = gather(source, 1, ack=False)
            assert [message.payload for message in again] == [poison.payload]
            source.ack(again)
        with connected(settings) as source:
            assert source.take(1, 0.2) == []


def test_an_acknowledgement_of_an_earlier_connection_is_ignored(broker: Broker) -> None:
    need(broker.kind, "send unacknowledged messages again")
    settings = settings_for(broker)
    with connected(settings) as source, peer(broker) as gateway:
        gateway.publish(TOPIC, *numbered(5))
        old = gather(source, 5, ack=False)
        broker.stop()
        broker.restart()
        assert until(lambda: source.state.generation == 2, PATIENCE_S)
        again = gather(source, 5, ack=False)
        assert numbers(again) == [0, 1, 2, 3, 4]
        source.ack(old)
        state = source.state
        assert (state.acked, state.stale_acks, state.unacked) == (0, 5, 5)
        source.ack(again)
        source.ack(again)  # a second time changes nothing
        assert (source.state.acked, source.state.unacked) == (5, 0)


def test_acknowledgements_leave_in_the_order_of_arrival(broker: Broker) -> None:
    need(broker.kind, "send unacknowledged messages again")
    settings = settings_for(broker)
    with connected(settings) as source, peer(broker) as gateway:
        gateway.publish(TOPIC, *numbered(20))
        source.ack(gather(source, 20, ack=False)[::-1])
        assert source.state.acked == 20
    with connected(settings) as source:
        assert source.take(1, 0.1) == []


def test_the_window_is_the_receive_maximum(broker: Broker) -> None:
    need(broker.kind, "speak MQTT 5")
    with (
        connected(settings_for(broker, receive_maximum=50)) as source,
        peer(broker) as gateway,
    ):
        gateway.publish(TOPIC, *numbered(400))
        first = gather(source, 50, ack=False)
        assert len(first) == 50
        assert source.take(1, 0.3) == []  # the rest waits in the broker
        source.ack(first)
        assert numbers(first + gather(source, 350)) == list(range(400))


def test_without_an_acknowledgement_the_source_stops_reading(broker: Broker) -> None:
    need(broker.kind, "have settings")
    with (
        connected(settings_for(broker, protocol="3.1.1", receive_maximum=20)) as source,
        peer(broker) as gateway,
    ):
        gateway.publish(TOPIC, *numbered(1000))
        assert until(lambda: source.state.waiting >= 40, PATIENCE_S)
        assert not until(lambda: source.state.waiting > 40, 0.3)
        assert numbers(gather(source, 1000)) == list(range(1000))


def test_a_default_broker_drops_what_its_queue_does_not_hold(
    launch_broker: LaunchBroker,
) -> None:
    default = launch_broker(lines=("allow_anonymous true",))
    need(default.kind, "have settings")
    assert _offline_survivors(default, 1500, expected=1000) == 1000


def test_our_profile_holds_them_all(broker: Broker) -> None:
    need(broker.kind, "have settings")
    assert _offline_survivors(broker, 1500, expected=1500) == 1500


def _offline_survivors(broker: Broker, count: int, *, expected: int) -> int:
    settings = settings_for(broker)
    with connected(settings) as source:
        assert until(lambda: not source.state.unsent, PATIENCE_S)
    with peer(broker) as gateway:
        gateway.publish(TOPIC, *numbered(count))  # each one confirmed to the gateway
    with connected(settings) as source:
        got = gather(source, expected)
        return len(got + gather(source, 1, timeout_s=0.5))


def test_retained_messages_are_marked_and_come_once(broker: Broker, protocol: Protocol) -> None:
    settings = settings_for(broker, protocol=protocol)
    with peer(broker) as gateway:
        gateway.publish("fleet/NF-03/status", b'{"online":true}', retain=True)
        with connected(settings) as source:
            (kept,) = gather(source, 1)
            assert kept.retain
            gateway.publish("fleet/NF-03/status", b'{"online":false}', retain=True)
            (live,) = gather(source, 1)
            assert not live.retain


def test_retained_messages_do_not_come_again_with_each_reconnect(broker: Broker) -> None:
    need(broker.kind, "keep its state over a restart")
    with peer(broker) as gateway:
        gateway.publish("fleet/NF-03/status", b'{"online":true}', retain=True)
    with connected(settings_for(broker)) as source:
        assert len(gather(source, 1)) == 1
        broker.restart()
        assert until(lambda: source.state.generation == 2, PATIENCE_S)
        assert source.state.session_present
        assert source.take(1, 0.3) == []


@pytest.mark.parametrize("at_once", [True, False])
def test_quality_zero_is_heard_and_owes_no_acknowledgement(
    broker: Broker, at_once: bool
) -> None:
    need(broker.kind, "deliver at the lower quality of service")
    with connected(settings_for(broker)) as source, peer(broker) as gateway:
        gateway.publish(TOPIC, b"1", qos=0)
        (message,) = gather(source, 1, ack=at_once)
        assert message.receipt is None
        source.ack([message, Message(topic=TOPIC, payload=b"")])
        assert source.state.stale_acks == 0


def test_quality_two_is_taken_at_one(broker: Broker, protocol: Protocol) -> None:
    """At two, a message counts as handed over before it is safe here."""
    need(broker.kind, "deliver at the lower quality of service")
    with connected(settings_for(broker, protocol=protocol)) as source, peer(broker) as gateway:
        gateway.publish(TOPIC, b"1", qos=2)
        (message,) = gather(source, 1)
        assert message.receipt is not None
        assert message.receipt.qos == 1


def test_a_broker_killed_outright_forgets_what_it_confirmed(broker: Broker) -> None:
    """Which is why gateways keep their backlog until the daemon names it as received."""
    need(broker.kind, "keep its state over a restart")
    settings = settings_for(broker)
    with connected(settings) as source:
        assert until(lambda: not source.state.unsent, PATIENCE_S)
    with peer(broker) as gateway:
        gateway.publish(TOPIC, *numbered(100))
    broker.kill()
    broker.restart()
    with connected(settings) as source:
        assert not source.state.session_present
        assert source.take(1, 0.3) == []


def test_a_broker_stopped_in_order_forgets_nothing(broker: Broker) -> None:
    need(broker.kind, "keep its state over a restart")
    settings = settings_for(broker)
    with connected(settings) as source:
        assert until(lambda: not source.state.unsent, PATIENCE_S)
    with peer(broker) as gateway:
        gateway.publish(TOPIC, *numbered(100))
    broker.restart()
    with connected(settings) as source:
        assert numbers(gather(source, 100)) == list(range(100))


def test_a_retired_filter_is_given_back(broker: Broker) -> None:
    need(broker.kind, "speak MQTT 5")
    with connected(settings_for(broker, filters=("yard/#", "fleet/#"))) as source:
        assert until(lambda: not source.state.unsent, PATIENCE_S)
    later = settings_for(broker, filters=("fleet/#",), retired_filters=("yard/#",))
    with connected(later) as source, peer(broker) as gateway:
        assert until(lambda: not source.state.unsent, PATIENCE_S)
        gateway.publish("yard/gate", b"1")
        gateway.publish("fleet/gate", b"2")
        assert numbers(gather(source, 1)) == [2]


@pytest.mark.timeout(60)
def test_a_killed_process_loses_nothing(broker: Broker, protocol: Protocol) -> None:
    """A process that prints and acknowledges is killed -9 in the midst; another goes on."""
    need(broker.kind, "send unacknowledged messages again")
    seen: list[int] = []
    with peer(broker) as gateway:
        for kill_after in (60, 90, None):
            first = len(seen) == 0
            process = _subscriber(broker, protocol)
            try:
                assert process.stdout is not None
                assert process.stdout.readline() == b"connected\n"
                if first:
                    gateway.publish(TOPIC, *numbered(300))
                while len(set(seen)) < 300 and (kill_after is None or len(seen) < kill_after):
                    seen.append(int(process.stdout.readline()))
            finally:
                process.kill()
                rest, _ = process.communicate()
            # What it had printed and the last line, which it may have half printed.
            seen += [int(line) for line in rest.split(b"\n")[:-1]]
    assert sorted(set(seen)) == list(range(300))


def _subscriber(broker: Broker, protocol: Protocol) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "tests.ingest.subscriber", str(broker.port), protocol]
    return subprocess.Popen(command, stdout=subprocess.PIPE, cwd=ROOT)  # noqa: S603 - ours
