"""Two processes with one client id: told from a broker in trouble, and not fought out."""

from __future__ import annotations

import socket

import pytest

from deploy.waiting import until
from ingest.mqtt_settings import MqttSettings
from tests.brokers import PATIENCE_S, Broker, connected, need, settings_for
from tests.doorman import doorman


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_two_with_one_client_id_do_not_fight_for_ever(broker: Broker, protocol: str) -> None:
    if protocol == "5":
        need(broker.kind, "speak MQTT 5")
    need(broker.kind, "end the older of two connections")
    settings = settings_for(broker, protocol=protocol, client_id="twin")
    with connected(settings) as one, connected(settings, wait=False) as other:
        twins = (one, other)

        def settled() -> bool:
            for twin in twins:
                twin.take(1, 0.01)
            return sorted(twin.state.phase for twin in twins) == ["connected", "taken_over"]

        assert until(settled, PATIENCE_S)
        loser = next(twin for twin in twins if twin.state.phase == "taken_over")
        assert "'twin'" in (loser.state.refused or "")
        assert loser.take(1, 0.05) == []
        assert loser.state.restarts == 0
        assert not loser.state.connected


@pytest.mark.parametrize(("times", "phase"), [(1, "connected"), (2, "taken_over")])
def test_one_takeover_alone_is_no_fight_but_two_are(times: int, phase: str) -> None:
    """As told by a broker that says why; not all that speak MQTT 5 do."""
    told: list[socket.socket] = []

    def greet(link: socket.socket) -> None:
        link.recv(4096)
        link.sendall(b"\x20\x03\x00\x00\x00")  # CONNACK, accepted, no properties
        if len(told) < times:
            told.append(link)
            link.sendall(b"\xe0\x01\x8e")  # DISCONNECT, session taken over

    with doorman(greet) as port:
        settings = MqttSettings(host="127.0.0.1", port=port, reconnect_min_s=0.05)
        with connected(settings, wait=False) as source:
            assert until(lambda: source.state.takeovers == times, PATIENCE_S)
            assert until(lambda: source.state.phase == phase, PATIENCE_S)


def test_a_broker_that_dies_again_and_again_is_not_taken_for_a_rival(broker: Broker) -> None:
    with connected(settings_for(broker)) as source:
        deaths: list[int] = []
        while len(deaths) < 7:
            deaths.append(source.state.generation)
            broker.kill()
            broker.restart()
            assert until(lambda: source.state.generation > deaths[-1], PATIENCE_S)
        assert until(lambda: source.state.connected, PATIENCE_S), source.state
