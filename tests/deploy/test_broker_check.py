"""The check tells a broker that can be trusted from one that only looks like it."""

from __future__ import annotations

from pathlib import Path

import pytest

from deploy.broker import free_port, start_broker
from deploy.broker_check import Finding, examine
from deploy.probe import Probe
from ingest.mqtt_settings import MqttSettings
from tests.brokers import Broker, need, peer, settings_for
from tests.conftest import LaunchBroker


def faults(findings: list[Finding]) -> str:
    return "\n".join(finding.what for finding in findings[:-1] if finding.level == "fault")


def everything(findings: list[Finding]) -> str:
    return "\n".join(finding.what for finding in findings)


def test_our_profile_is_fit_for_production(broker: Broker) -> None:
    need(broker.kind, "have settings")
    for protocol in ("5", "3.1.1"):
        settings = settings_for(broker, protocol=protocol, receive_maximum=300)
        findings = examine(settings, check_id="a1")
        assert {finding.level for finding in findings} == {"good"}, findings
        assert "mosquitto version" in everything(findings)
        assert ("300" if protocol == "5" else "1000") + " messages may be" in everything(
            findings
        )
        assert findings[-1].what.startswith("Fit for production")


def test_a_default_broker_is_found_out(launch_broker: LaunchBroker) -> None:
    default = launch_broker(lines=("allow_anonymous true",))
    need(default.kind, "have settings")
    findings = examine(settings_for(default, protocol="3.1.1"), check_id="a1", patience_s=2.0)
    assert "confirmed while away only 1000 arrived" in faults(findings)
    assert "max_queued_messages 0" in " ".join(finding.mend for finding in findings)
    assert "Only 20 messages may be" in everything(findings)
    assert findings[-1].what.startswith("Not fit for production")


def test_an_access_list_that_delivers_nothing_is_found_out(
    launch_broker: LaunchBroker, tmp_path: Path
) -> None:
    access = tmp_path / "acl"
    access.write_text("topic write heatbook/#\ntopic readwrite fleet/#\n")
    broker = launch_broker(lines=("allow_anonymous true", f"acl_file {access}"))
    need(broker.kind, "have settings")
    findings = examine(settings_for(broker), check_id="a1", patience_s=1.0)
    assert "heatbook/check/a1/round-trip does not arrive" in faults(findings)


def test_the_embedded_broker_is_for_demonstration_only(tmp_path: Path) -> None:
    running = start_broker("embedded", directory=tmp_path)
    try:
        settings = MqttSettings(host=running.host, port=running.port, protocol="3.1.1")
        findings = examine(settings, check_id="a1", patience_s=2.0)
        assert "did not come again" in faults(findings)
        assert findings[-1].level == "fault"
        modern = MqttSettings(host=running.host, port=running.port)
        assert "It answers in MQTT 3.1.1" in faults(
            examine(modern, check_id="a2", patience_s=2.0)
        )
    finally:
        running.stop()


def test_no_broker_at_all() -> None:
    settings = MqttSettings(host="127.0.0.1", port=free_port())
    findings = examine(settings, check_id="a1", patience_s=1.0)
    assert "no connection to 127.0.0.1" in faults(findings)


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_check_leaves_nothing_behind(broker: Broker, protocol: str) -> None:
    need(broker.kind, "have settings")
    settings = settings_for(broker, protocol=protocol)
    examine(settings, check_id="a1")
    with Probe(settings, suffix="check-a1-session", patience_s=5.0, clean=False) as probe:
        assert not probe.session_present
    with peer(broker) as watcher:
        watcher.watch("heatbook/#")
        watcher.watch("fleet/#")
        watcher.publish("fleet/end", b"1")
        assert watcher.heard == [("fleet/end", b"1")]
