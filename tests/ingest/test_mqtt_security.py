"""Who may connect: users, TLS, certificates of both sides, access lists."""

from __future__ import annotations

import shutil
import ssl
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest
import trustme
from pydantic import SecretStr

from deploy.waiting import until
from ingest.certificate import ends_ms
from ingest.mqtt_settings import MqttTls
from tests.brokers import (
    PATIENCE_S,
    Broker,
    available,
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
SHIPPED = Path(__file__).resolve().parents[2] / "deploy" / "mosquitto"


@dataclass(frozen=True, slots=True, kw_only=True)
class Papers:
    """Certificate files: an authority, a broker, a client, and a stranger's authority."""

    directory: Path
    ca_file: Path
    server_cert: Path
    server_key: Path
    client_cert: Path
    client_key: Path
    other_ca_file: Path


@pytest.fixture
def papers(tmp_path: Path) -> Papers:
    authority, stranger = trustme.CA(), trustme.CA()
    server = authority.issue_cert("127.0.0.1", "localhost")
    client = authority.issue_cert("heatbook", common_name="heatbook")
    made = Papers(
        directory=tmp_path,
        ca_file=tmp_path / "ca.pem",
        server_cert=tmp_path / "server.pem",
        server_key=tmp_path / "server.key",
        client_cert=tmp_path / "client.pem",
        client_key=tmp_path / "client.key",
        other_ca_file=tmp_path / "other.pem",
    )
    authority.cert_pem.write_to_path(str(made.ca_file))
    stranger.cert_pem.write_to_path(str(made.other_ca_file))
    server.cert_chain_pems[0].write_to_path(str(made.server_cert))
    server.private_key_pem.write_to_path(str(made.server_key))
    client.cert_chain_pems[0].write_to_path(str(made.client_cert))
    client.private_key_pem.write_to_path(str(made.client_key))
    return made


def tls_lines(papers: Papers) -> tuple[str, ...]:
    return (
        f"cafile {papers.ca_file}",
        f"certfile {papers.server_cert}",
        f"keyfile {papers.server_key}",
        "allow_anonymous true",
    )


@pytest.fixture
def tls_broker(launch_broker: LaunchBroker, papers: Papers) -> Broker:
    need(available(), "have settings")
    return launch_broker(lines=tls_lines(papers))


@pytest.fixture
def mutual_broker(launch_broker: LaunchBroker, papers: Papers) -> Broker:
    need(available(), "have settings")
    return launch_broker(
        lines=(*tls_lines(papers), "require_certificate true", "use_identity_as_username true")
    )


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_tls(tls_broker: Broker, papers: Papers, protocol: str) -> None:
    settings = settings_for(tls_broker, protocol=protocol, tls=MqttTls(ca_file=papers.ca_file))
    trust = ssl.create_default_context(cafile=str(papers.ca_file))
    with connected(settings) as source, peer(tls_broker, tls=trust) as gateway:
        # Large ones fill more than one TLS record, small ones share one.
        gateway.publish(TOPIC, *numbered(500), b"0" * 200_000, *numbered(500, 500))
        got = gather(source, 1001)
        assert len(got[500].payload) == 200_000
        assert numbers(got[:500] + got[501:]) == list(range(1000))
        # What the broker shows is what stands in its file.
        assert source.state.certificate_ends_ms == ends_ms(papers.server_cert)


def test_an_unknown_authority_is_refused_in_clear_words(
    tls_broker: Broker, papers: Papers
) -> None:
    settings = settings_for(tls_broker, tls=MqttTls(ca_file=papers.other_ca_file))
    with connected(settings, wait=False) as source:
        assert until(lambda: source.state.phase == "refused", PATIENCE_S)
        assert "is not trusted" in (source.state.refused or "")
        assert "tls.ca_file" in (source.state.refused or "")


def test_a_missing_certificate_file_is_refused_in_clear_words(
    tls_broker: Broker, papers: Papers
) -> None:
    settings = settings_for(tls_broker, tls=MqttTls(ca_file=papers.directory / "none.pem"))
    with connected(settings, wait=False) as source:
        assert until(lambda: source.state.phase == "refused", PATIENCE_S)
        assert "TLS files cannot be used" in (source.state.refused or "")
        shutil.copy(papers.ca_file, papers.directory / "none.pem")
        assert until(lambda: source.state.connected, PATIENCE_S)  # mended without a restart


def test_mutual_tls(mutual_broker: Broker, papers: Papers) -> None:
    tls = MqttTls(
        ca_file=papers.ca_file, cert_file=papers.client_cert, key_file=papers.client_key
    )
    with connected(settings_for(mutual_broker, tls=tls)) as source:
        assert until(lambda: source.state.unsent == 0, PATIENCE_S)


def test_without_our_certificate_a_mutual_broker_says_what_it_wants(
    mutual_broker: Broker, papers: Papers
) -> None:
    settings = settings_for(mutual_broker, tls=MqttTls(ca_file=papers.ca_file))
    with connected(settings, wait=False) as source:
        assert until(lambda: source.state.phase == "refused", PATIENCE_S)
        assert "tls.cert_file" in (source.state.refused or "")


def test_tls_on_a_port_without_it(broker: Broker, papers: Papers) -> None:
    settings = settings_for(broker, tls=MqttTls(ca_file=papers.ca_file), connect_timeout_s=1.0)
    with connected(settings, wait=False) as source:
        assert until(lambda: bool(source._said), PATIENCE_S)
        assert not source.state.connected


def user_file(directory: Path) -> Path:
    """Users `heatbook` and `NF-01`."""
    if shutil.which("mosquitto_passwd") is None:
        pytest.skip("mosquitto_passwd is not installed")
    users = directory / "users"
    users.touch(mode=0o600)
    for name in ("heatbook", "NF-01"):
        command = ["mosquitto_passwd", "-b", str(users), name, f"secret-{name}"]
        subprocess.run(command, check=True)  # noqa: S603 - mosquitto's own tool
    return users


@pytest.fixture
def strict_broker(launch_broker: LaunchBroker, tmp_path: Path) -> Broker:
    """Two users and the access list that ships."""
    need(available(), "have settings")
    users = user_file(tmp_path)
    access = SHIPPED / "acl"
    lines = ("allow_anonymous false", f"password_file {users}", f"acl_file {access}")
    return launch_broker(lines=lines)


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_user_and_password(strict_broker: Broker, protocol: str) -> None:
    wrong = settings_for(
        strict_broker, protocol=protocol, username="heatbook", password=SecretStr("guess")
    )
    with connected(wrong, wait=False) as source:
        assert until(lambda: source.state.phase == "refused", PATIENCE_S)
        assert "Mend username and password" in (source.state.refused or "")
        assert "guess" not in repr(wrong)
    right = settings_for(
        strict_broker,
        protocol=protocol,
        username="heatbook",
        password=SecretStr("secret-heatbook"),
    )
    truck = ("NF-01", "secret-NF-01")
    with connected(right) as source, peer(strict_broker, user=truck) as gateway:
        gateway.watch("fleet/NF-01/received")
        gateway.publish(TOPIC, b"1")
        gateway.publish("fleet/NF-02/telemetry", b"2")  # not its own: dropped, and not told
        gateway.publish(TOPIC, b"3")
        assert numbers(gather(source, 2)) == [1, 3]
        source.publish("fleet/NF-01/received", b"{}", retain=True)
        assert until(lambda: bool(gateway.heard), PATIENCE_S)


def test_a_publish_the_access_list_forbids_is_counted(strict_broker: Broker) -> None:
    settings = settings_for(
        strict_broker, username="heatbook", password=SecretStr("secret-heatbook")
    )
    with connected(settings) as source:
        source.publish("fleet/NF-01/telemetry", b"1", retain=False)
        assert until(lambda: source.state.publishes_refused == 1, PATIENCE_S)
