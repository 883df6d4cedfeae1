"""The broker's settings that ship, in real mosquitto: who comes in, who does not, and what `check` says."""

from __future__ import annotations

import shutil
import socket
import ssl
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from pydantic import SecretStr

from deploy.broker import answers, free_port, mosquitto_path
from deploy.broker_check import examine
from deploy.waiting import until
from ingest.mqtt_settings import MqttSettings, MqttTls
from tests.brokers import (
    PATIENCE_S,
    connected,
    gather,
    need_mosquitto,
    numbered,
    numbers,
    peer,
    settings_for,
)
from tests.deploy.authority import Authority, Papers, forged, make_authority
from tests.deploy.shipped_broker import SHIPPED, ShippedBroker, shipped_broker
from tests.torture.child import COMMAND

OURS = "fleet/NF-01/telemetry"

CONNECT, ACCEPTED = b"\x10\x0c\x00\x04MQTT\x04\x02\x00<\x00\x00", b"\x20\x02\x00\x00"
"""A client without a name, and the answer to one that may come in: MQTT 3.1.1, sections 3.1 and 3.2."""

DEBIAN = """\
pid_file /run/mosquitto/mosquitto.pid

persistence true
persistence_location /var/lib/mosquitto/

log_dest file /var/log/mosquitto/mosquitto.log

include_dir /etc/mosquitto/conf.d
"""
"""/etc/mosquitto/mosquitto.conf of Debian's package mosquitto 2.0.11-1.2, without its comment."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """A broker with certificates, and who made them."""

    authority: Authority
    broker: ShippedBroker

    def daemon(self, **more: object) -> MqttSettings:
        """Give the daemon's settings: its own listener, its own certificate."""
        papers = self.authority.papers("daemon")
        tls = MqttTls(ca_file=self.authority.ca, cert_file=papers.cert, key_file=papers.key)
        return settings_for(self.broker.house, tls=tls, **more)

    def truck(self, name: str) -> ssl.SSLContext:
        return self.authority.trust(self.authority.papers(name))


def certificates(authority: Authority) -> dict[str, Path]:
    broker = authority.papers("broker")
    return {
        "/etc/mosquitto/certs/ca.crt": authority.ca,
        "/etc/mosquitto/certs/crl.pem": authority.crl,
        "/etc/mosquitto/certs/broker.crt": broker.cert,
        "/etc/mosquitto/certs/broker.key": broker.key,
    }


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    need_mosquitto()
    folder = tmp_path_factory.mktemp("certificates")
    authority = make_authority(folder / "authority")
    authority.do("truck", "NF-01", "NF-02", "NF-03", "observer")
    authority.do("revoke", "NF-03")
    with shipped_broker(folder / "broker", "certificates", certificates(authority)) as broker:
        yield Stage(authority=authority, broker=broker)


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_truck_is_heard_and_answered(stage: Stage, protocol: str) -> None:
    answer = "fleet/NF-01/received"
    with (
        connected(stage.daemon(protocol=protocol, client_id=f"heatbook-{protocol}")) as source,
        peer(stage.broker.trucks, tls=stage.truck("NF-01"), protocol=protocol) as truck,
    ):
        truck.watch(answer)
        truck.publish(OURS, *numbered(20))
        assert numbers(gather(source, 20)) == list(range(20))
        source.publish(answer, b"{}", retain=False)
        assert until(lambda: (answer, b"{}") in truck.heard, PATIENCE_S)


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_with_certificates_it_is_fit_for_production(stage: Stage, protocol: str) -> None:
    settings = stage.daemon(protocol=protocol, receive_maximum=300)
    with connected(settings) as source:
        findings = examine(settings, check_id="a1")
        assert {finding.level for finding in findings} == {"good"}, findings
        assert source.state.connected  # `heatbook check` beside the daemon leaves it alone


def test_heatbook_check_says_so_beside_a_daemon(stage: Stage, tmp_path: Path) -> None:
    papers = stage.authority.papers("daemon")
    config = tmp_path / "heatbook.toml"
    config.write_text(
        f'[store]\npath = "{tmp_path}/heatbook.db"\n[mqtt]\nhost = "localhost"\n'
        f'port = {stage.broker.house_port}\n[mqtt.tls]\nca_file = "{stage.authority.ca}"\n'
        f'cert_file = "{papers.cert}"\nkey_file = "{papers.key}"\n'
    )
    with connected(stage.daemon()) as source:
        done = subprocess.run(  # noqa: S603 - our own command
            [*COMMAND, "check", "--config", str(config)],
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )
        assert source.state.connected
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Fit for production" in done.stdout


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_with_passwords_it_is_fit_for_production(tmp_path: Path, protocol: str) -> None:
    need_mosquitto()
    authority = make_authority(tmp_path / "authority")
    users = tmp_path / "users"
    users.touch(mode=0o600)
    for name in ("heatbook", "NF-01"):
        command = ["mosquitto_passwd", "-b", str(users), name, f"secret-{name}"]
        subprocess.run(command, check=True)  # noqa: S603 - mosquitto's own tool
    broker = authority.papers("broker")
    places = {
        "/etc/mosquitto/certs/broker.crt": broker.cert,
        "/etc/mosquitto/certs/broker.key": broker.key,
        "/etc/mosquitto/heatbook.users": users,
    }
    with shipped_broker(tmp_path / "broker", "passwords", places) as running:
        settings = settings_for(
            running.house,
            protocol=protocol,
            tls=MqttTls(ca_file=authority.ca),
            username="heatbook",
            password=SecretStr("secret-heatbook"),
        )
        findings = examine(settings, check_id="a1")
        assert {finding.level for finding in findings} == {"good"}, findings
        user, trust = ("NF-01", "secret-NF-01"), authority.trust()
        with connected(settings) as source:
            with peer(running.trucks, user=user, tls=trust, client_id="heatbook") as truck:
                # Over TLS mosquitto 2.0.11 shows out who publishes what is not theirs.
                truck.post("fleet/NF-02/telemetry", b"0")
            with peer(running.trucks, user=user, tls=trust) as truck:
                truck.publish(OURS, *numbered(3))
            assert [message.topic for message in gather(source, 3)] == [OURS] * 3
            assert source.state.connected


def attempt(stage: Stage, trust: ssl.SSLContext, port: int) -> str:
    """Connect by bytes; give the reason why not, or what the broker answers."""
    try:
        with (
            socket.create_connection((stage.broker.trucks.host, port), PATIENCE_S) as line,
            trust.wrap_socket(line, server_hostname="localhost") as secure,
        ):
            secure.sendall(CONNECT)
            answer = secure.recv(4)
    except (
        OSError
    ) as error:  # with TLS 1.3 a certificate is judged after the client's own handshake
        return f"not let in: {error}"
    return "let in" if answer == ACCEPTED else f"not let in: {answer!r}"


def strangers(stage: Stage, folder: Path) -> dict[str, Papers | None]:
    other = Authority(folder / "other")
    other.do("new-authority")
    other.do("truck", "NF-01")
    (taken_back,) = stage.authority.folder.glob("old/NF-03-*.crt")
    return {
        "no certificate": None,
        "another authority's": other.papers("NF-01"),
        "one that signed itself": forged(folder, "NF-01", by=None),
        "one that has run out": forged(folder, "NF-01", by=stage.authority, ended=True),
        "one for servers": forged(folder, "NF-01", by=stage.authority, server=True),
        "the broker's own": stage.authority.papers("broker"),
        "one that was taken back": Papers(taken_back, taken_back.with_suffix(".key")),
    }


def test_who_has_no_good_certificate_is_not_let_in(stage: Stage, tmp_path: Path) -> None:
    for port in (stage.broker.trucks.port, stage.broker.house_port):
        assert attempt(stage, stage.truck("NF-01"), port) == "let in"
        for what, papers in strangers(stage, tmp_path / str(port)).items():
            said = attempt(stage, stage.authority.trust(papers), port)
            assert said.startswith("not let in"), f"{what}: {said}"


def test_old_versions_of_tls_are_refused_by_the_broker(stage: Stage) -> None:
    # RFC 8996 takes TLS 1.0 and 1.1 out of use.
    for version in (ssl.TLSVersion.TLSv1, ssl.TLSVersion.TLSv1_1):
        trust = stage.truck("NF-01")
        trust.set_ciphers("ALL:@SECLEVEL=0")  # else our own side would not even ask
        with pytest.warns(DeprecationWarning, match="TLSv1"):
            trust.minimum_version = trust.maximum_version = version
        said = attempt(stage, trust, stage.broker.trucks.port)
        assert "ALERT" in said, said  # the broker's answer, not a refusal of our own side
    for version in (ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3):
        trust = stage.truck("NF-01")
        trust.minimum_version = trust.maximum_version = version
        assert attempt(stage, trust, stage.broker.trucks.port) == "let in"


def test_a_truck_that_calls_itself_as_the_daemon_takes_nothing_from_it(
    tmp_path: Path, stage: Stage
) -> None:
    """Neither its session nor what waits there; the line that does it is no idle one."""
    places = certificates(stage.authority)
    for without, left in (("use_username_as_clientid", 0), ("", 100)):
        folder = tmp_path / (without or "shipped")
        with shipped_broker(folder, "certificates", places, without=without) as broker:
            here = Stage(authority=stage.authority, broker=broker)
            with connected(here.daemon()):
                pass  # from here on the broker keeps messages for it
            with peer(broker.trucks, tls=here.truck("NF-02")) as truck:
                truck.publish("fleet/NF-02/telemetry", *numbered(100))
            with peer(broker.trucks, tls=here.truck("NF-01"), client_id="heatbook") as truck:
                truck.watch("fleet/+/telemetry")
                assert truck.heard == []
            with connected(here.daemon()) as source:
                assert len(gather(source, 100, timeout_s=PATIENCE_S if left else 1.0)) == left


def test_a_new_list_of_what_was_taken_back_counts_after_a_restart(tmp_path: Path) -> None:
    need_mosquitto()
    authority = make_authority(tmp_path / "authority")
    authority.do("truck", "NF-01", "NF-02")
    with shipped_broker(tmp_path / "b", "certificates", certificates(authority)) as broker:
        here = Stage(authority=authority, broker=broker)
        stolen = here.truck("NF-02")
        with connected(here.daemon()):
            pass
        with peer(broker.trucks, tls=here.truck("NF-01")) as truck:
            truck.publish(OURS, *numbered(10))
        assert attempt(here, stolen, broker.trucks.port) == "let in"
        authority.do("revoke", "NF-02")
        broker.running.restart()
        assert attempt(here, stolen, broker.trucks.port) != "let in"
        assert attempt(here, here.truck("NF-01"), broker.trucks.port) == "let in"
        with connected(here.daemon()) as source:  # and what waited for the daemon is there
            assert numbers(gather(source, 10)) == list(range(10))


@pytest.mark.parametrize("kind", ["certificates", "passwords"])
def test_beside_debians_own_file_it_starts(tmp_path: Path, kind: str) -> None:
    need_mosquitto()
    authority = make_authority(tmp_path / "authority")
    for folder in ("conf.d", "certs", "lib"):
        (tmp_path / folder).mkdir()
    broker = authority.papers("broker")
    for file in (authority.ca, authority.crl, broker.cert, broker.key):
        shutil.copy(file, tmp_path / "certs")
    shutil.copy(SHIPPED / "acl", tmp_path / "heatbook.acl")
    (tmp_path / "heatbook.users").touch(mode=0o600)
    ports = {"listener 8883": free_port(), "listener 8884": free_port()}
    for name in ("heatbook.conf", f"heatbook-{kind}.conf"):
        text = (SHIPPED / name).read_text().replace("/etc/mosquitto", str(tmp_path))
        for listener, port in ports.items():
            text = text.replace(listener, f"listener {port}")
        (tmp_path / "conf.d" / name).write_text(text)
    main = tmp_path / "mosquitto.conf"
    main.write_text(
        "user root\n"
        + DEBIAN.replace("/run/mosquitto", str(tmp_path))
        .replace("/var/lib/mosquitto", str(tmp_path / "lib"))
        .replace("/var/log/mosquitto", str(tmp_path))
        .replace("/etc/mosquitto", str(tmp_path))
    )
    guard = [sys.executable, "-m", "deploy.child_guard", "--"]
    command = [*guard, str(mosquitto_path()), "-c", str(main)]
    with subprocess.Popen(command, stdin=subprocess.PIPE) as process:  # noqa: S603 - mosquitto
        up = until(
            lambda: all(answers("127.0.0.1", port) for port in ports.values()), PATIENCE_S
        )
        assert process.stdin is not None
        process.stdin.close()  # the guard ends it
        log = tmp_path / "mosquitto.log"
        assert up, log.read_text() if log.exists() else "no log"
