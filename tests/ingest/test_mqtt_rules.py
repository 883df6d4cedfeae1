"""The rules behind the source that need no broker."""

from __future__ import annotations

import threading
from pathlib import Path
from random import Random

import pytest
from pydantic import SecretStr, TypeAdapter, ValidationError

from ingest.backoff import TakeoverWatch, delay_s
from ingest.intake import Intake
from ingest.message import Message
from ingest.mqtt_settings import MqttSettings, MqttTls, valid_filter
from ingest.outgoing import Outgoing, OutgoingBox
from tests.list_source import ListSource


def message(payload: bytes = b"") -> Message:
    return Message(topic="fleet/NF-01/telemetry", payload=payload)


def outgoing(topic: str, payload: bytes) -> Outgoing:
    return Outgoing(topic=topic, payload=payload, retain=True)


def test_the_delay_doubles_up_to_its_limit_and_is_jittered() -> None:
    rng = Random(3)
    for attempt, full in enumerate((1.0, 2.0, 4.0, 8.0, 10.0, 10.0)):
        delays = {delay_s(attempt, least=1.0, most=10.0, rng=rng) for _ in range(50)}
        assert len(delays) == 50
        assert all(full / 2 <= delay <= full for delay in delays)
    assert delay_s(10_000, least=1.0, most=10.0, rng=rng) <= 10.0


def test_four_early_ends_within_a_minute_are_suspicious() -> None:
    watch = TakeoverWatch()
    seen = [watch.ended(now_ms, lived_ms=100) for now_ms in (0, 1_000, 3_000, 7_000)]
    assert seen == [False, False, False, True]


def test_ends_far_apart_or_of_old_connections_are_not_suspicious() -> None:
    watch = TakeoverWatch()
    assert not any(watch.ended(now_ms, lived_ms=100) for now_ms in range(0, 600_000, 30_000))
    assert not any(watch.ended(now_ms, lived_ms=60_000) for now_ms in range(100))


def test_the_second_takeover_within_a_minute_is_a_fight() -> None:
    watch = TakeoverWatch()
    assert [watch.told(0), watch.told(61_000), watch.told(62_000)] == [False, False, True]


def test_the_intake_wakes_for_the_first_message_and_lingers_for_more() -> None:
    intake = Intake(10)

    def feed() -> None:
        for _ in range(3):
            intake.put(message())

    feeder = threading.Thread(target=feed)
    feeder.start()
    assert len(intake.take(3, wait_s=10.0, linger_s=10.0)) == 3
    feeder.join()
    intake.close()
    assert intake.take(3, wait_s=600.0, linger_s=600.0) == []


def test_the_intake_is_full_by_number_or_by_bytes() -> None:
    by_number, by_bytes = Intake(2), Intake(100, limit_bytes=10)
    seen = []
    for _ in range(2):
        by_number.put(message())
        seen.append(by_number.full)
    by_bytes.put(message(b"0123456789"))
    seen.append(by_bytes.full)
    by_bytes.take(1, wait_s=0.0, linger_s=0.0)
    seen.append(by_bytes.full)
    assert seen == [False, True, True, False]


def test_the_box_keeps_the_newest_per_topic_and_counts_what_it_drops() -> None:
    box = OutgoingBox(2)
    box.put(outgoing("a", b"1"))
    box.put(outgoing("b", b"1"))
    box.put(outgoing("a", b"2"))
    assert (len(box), box.dropped) == (2, 0)
    box.put_back(outgoing("a", b"1"))  # an older one that was under way
    assert box.next() == outgoing("a", b"2")
    box.put_back(outgoing("a", b"2"))
    box.put(outgoing("c", b"1"))
    assert (len(box), box.dropped) == (2, 1)
    assert [box.next(), box.next(), box.next()] == [
        outgoing("a", b"2"),
        outgoing("c", b"1"),
        None,
    ]


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"client_id": ""}, "client_id"),
        ({"client_id": "a/b"}, "client_id"),
        ({"client_id": "heatbook\n"}, "client_id"),
        ({"host": ""}, "host"),
        ({"port": 0}, "port"),
        ({"filters": ()}, "filters"),
        ({"filters": ("a", "a")}, "twice"),
        ({"filters": ("fleet/#/x",)}, "not a topic filter"),
        ({"password": SecretStr("x")}, "username"),
        ({"receive_maximum": 0}, "receive_maximum"),
        ({"keepalive_s": 0}, "keepalive_s"),
        ({"session_expiry_s": 0}, "session_expiry_s"),
        ({"connect_timeout_s": 0.0}, "connect_timeout_s"),
        ({"reconnect_min_s": 5.0, "reconnect_max_s": 1.0}, "reconnect_min_s"),
    ],
)
def test_settings_that_cannot_work_are_refused(wrong: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        MqttSettings(**wrong)  # type: ignore[arg-type] # wrong on purpose


@pytest.mark.parametrize("name", ["fleet/+/telemetry", "#", "a/#", "+", "/", "a//b"])
def test_topic_filters(name: str) -> None:
    assert valid_filter(name)


@pytest.mark.parametrize("name", ["", "a#", "a/#/b", "a+/b", "a\0b"])
def test_what_is_no_topic_filter(name: str) -> None:
    assert not valid_filter(name)


def test_a_certificate_needs_its_key() -> None:
    with pytest.raises(ValueError, match="belong together"):
        MqttTls(cert_file=Path("client.pem"))


def test_settings_are_read_from_plain_values_and_unknown_keys_refused() -> None:
    reader = TypeAdapter(MqttSettings)
    read = reader.validate_python(
        {"host": "broker", "username": "heatbook", "password": "s3cret", "tls": {}}
    )
    assert read.password is not None
    assert read.password.get_secret_value() == "s3cret"
    assert "s3cret" not in repr(read)
    assert read.tls == MqttTls()
    assert read.status_topic == "heatbook/heatbook/status"
    for bad in ({"hots": "broker"}, {"tls": {"insecure": True}}, {"port": 0}):
        with pytest.raises(ValidationError):
            reader.validate_python(bad)


def test_the_source_in_memory_sends_again_what_was_not_acknowledged() -> None:
    source = ListSource(message(b"%d" % number) for number in range(4))
    first = source.take(3, 0.0)
    source.ack(first[:1])
    source.reconnect()
    source.ack(first[1:])
    assert source.stale_acks == 2
    again = source.take(10, 0.0)
    assert [one.payload for one in again] == [b"1", b"2", b"3"]
    source.ack(again)
    assert source.state.unacked == 0
