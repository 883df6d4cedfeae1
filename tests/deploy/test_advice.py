"""Advice to a truck's display, over a real broker."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from alerts.alarm import Matter
from alerts.channels.advice import KINDS, LONGEST, AdviceChannel, AdviceSettings
from alerts.notice import Notice, Undelivered
from deploy.advice_line import advice_line
from deploy.broker import free_port
from deploy.waiting import until
from ingest.mqtt_settings import MqttSettings
from tests.alerts.store import notice
from tests.brokers import Broker, Peer, peer, settings_for
from tests.conftest import LaunchBroker

PLACE = "fleet/NF-01/advice/bypass_stuck"
STANDING = b'{"time":"2026-01-01T12:00:00.000Z","alarm":"bypass_stuck","priority":"high",'
STANDING += b'"state":"active","text":"Fluid does not reach the cooler",'
STANDING += b'"do":"Ease off. Stop where it is safe."}'


def channel(broker: Broker) -> AdviceChannel:
    return AdviceChannel(AdviceSettings(), publish=advice_line(settings_for(broker)))


def about(matter: Matter, **changes: str) -> Notice:
    (item,) = notice().items
    return notice(items=(replace(item, matter=matter, **changes),))  # type: ignore[arg-type] # its kind


def heard(display: Peer, count: int) -> list[tuple[str, bytes]]:
    until(lambda: len(display.heard) >= count, 5.0)
    return display.heard


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_display_hears_it_now_or_when_it_is_switched_on(
    broker: Broker, protocol: str
) -> None:
    settings = settings_for(broker, protocol=protocol)
    way = AdviceChannel(AdviceSettings(), publish=advice_line(settings))
    with peer(broker) as display:
        display.watch("fleet/NF-01/advice/#")
        assert way.deliver(about(Matter.ACTIVE)) == "the broker has it"
        assert heard(display, 1) == [(PLACE, STANDING)]
    with peer(broker) as later:
        later.watch("fleet/NF-01/advice/#")
        assert heard(later, 1) == [(PLACE, STANDING)]


def test_what_is_over_is_said_and_taken_away(broker: Broker) -> None:
    way = channel(broker)
    way.deliver(about(Matter.ACTIVE))
    way.deliver(about(Matter.ACTIVE, kind="over_temperature"))
    with peer(broker) as display:
        display.watch("fleet/NF-01/advice/#")
        assert len(heard(display, 2)) == 2
        way.deliver(about(Matter.NORMAL))
        over, gone = heard(display, 4)[2:]
    assert json.loads(over[1])["state"] == "normal"
    assert json.loads(over[1])["do"] == ""
    assert gone == (PLACE, b"")
    with peer(broker) as later:
        later.watch("fleet/NF-01/advice/#")
        left = heard(later, 1)
        assert [topic for topic, _ in left] == ["fleet/NF-01/advice/over_temperature"]


@pytest.mark.parametrize(
    "said",
    [about(Matter.MOVED), about(Matter.ACTIVE, kind="service_due"), about(Matter.QUIET)],
)
def test_what_a_driver_can_do_nothing_about_is_not_said(broker: Broker, said: Notice) -> None:
    with peer(broker) as display:
        display.watch("fleet/#")
        assert channel(broker).deliver(said) == "nothing for a driver to do"
        channel(broker).deliver(about(Matter.ACTIVE))
        assert [topic for topic, _ in heard(display, 1)] == [PLACE]


def test_a_trial_goes_to_no_truck(broker: Broker) -> None:
    with peer(broker) as display:
        display.watch("fleet/#")
        assert channel(broker).deliver(notice(items=())) == "the broker has it"
        assert [topic for topic, _ in heard(display, 1)] == ["fleet/heatbook-test/advice/test"]


def test_a_broker_that_is_away_is_tried_again() -> None:
    way = advice_line(MqttSettings(port=free_port()))
    with pytest.raises(Undelivered, match="broker away") as caught:
        AdviceChannel(AdviceSettings(), publish=way).deliver(about(Matter.ACTIVE))
    assert (caught.value.retry, caught.value.away) == (True, True)


def test_a_broker_that_lets_us_not_publish_there_has_not_got_it(
    launch_broker: LaunchBroker, tmp_path: Path
) -> None:
    """MQTT 5: the confirmation itself carries the refusal (reason code 0x87)."""
    rules = tmp_path / "rules"
    rules.write_text("topic readwrite heatbook/#\n")
    broker = launch_broker(
        kind="mosquitto", lines=("allow_anonymous true", f"acl_file {rules}")
    )
    with pytest.raises(Undelivered, match="may we publish there") as caught:
        channel(broker).deliver(about(Matter.ACTIVE))
    assert (caught.value.retry, caught.value.away) == (True, True)


def test_the_words_fit_a_small_display() -> None:
    assert all(len(line) <= LONGEST for lines in KINDS.values() for line in lines)


@pytest.mark.parametrize("root", ["", "/", "a/+", "#"])
def test_a_root_that_cannot_begin_a_topic(root: str) -> None:
    with pytest.raises(ValueError, match="root"):
        AdviceSettings(root=root)
