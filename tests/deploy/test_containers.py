"""Containers, as far as they can be looked at where no engine runs: their files agree with each other,
with the settings and with the repository. The image itself is not built here.
"""

from __future__ import annotations

import fnmatch
import json
import re
import shlex
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest
import yaml  # type: ignore[import-untyped] # ships no types

from deploy.settings import Loaded, load_settings

ROOT = Path(__file__).resolve().parents[2]
HERE = ROOT / "deploy" / "container"
MADE_BY_HAND = {
    "./fleet.toml",
    "./certs/broker",
    "./certs/daemon",
    "./certs/console",
    "./backups",
}
"""What the administrator puts beside the compose file, by its own head."""


@pytest.fixture(scope="module")
def compose() -> dict[str, Any]:
    read: dict[str, Any] = yaml.safe_load((HERE / "compose.yaml").read_text())
    return read


@pytest.fixture(scope="module")
def dockerfile() -> list[tuple[str, str]]:
    text = (HERE / "Dockerfile").read_text().replace("\\\n", " ")
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    return [(line.split()[0], line.split(maxsplit=1)[1]) for line in lines]


@pytest.fixture
def loaded(tmp_path: Path) -> Loaded:
    (tmp_path / "influx__token").write_text("a token\n")
    env = {"HEATBOOK_SECRETS": str(tmp_path)}
    return load_settings(config=HERE / "heatbook.toml", env=env)


def test_every_name_that_is_used_is_there(compose: dict[str, Any]) -> None:
    services = compose["services"]
    for name, service in services.items():
        for other in service.get("depends_on", {}):
            assert other in services, (name, other)
        assert set(service.get("networks", [])) <= set(compose["networks"]), name
        assert set(service.get("secrets", [])) <= set(compose["secrets"]), name
        mode = service.get("network_mode", "")
        assert not mode or mode.removeprefix("service:") in services
        for source, target, *_ in (each.split(":") for each in service.get("volumes", [])):
            assert target.startswith("/"), (name, target)
            if source.startswith("."):
                assert source in MADE_BY_HAND or (HERE / source).is_file(), (name, source)
            else:
                assert source in compose["volumes"], (name, source)
    head = (HERE / "compose.yaml").read_text()
    for secret in compose["secrets"].values():
        assert Path(secret["file"]).name in head.replace("  secrets: ", "")


def test_every_container_has_as_few_rights_as_it_can(compose: dict[str, Any]) -> None:
    for name, service in compose["services"].items():
        assert service["cap_drop"] == ["ALL"], name
        assert service["security_opt"] == ["no-new-privileges:true"], name
        assert service["restart"] == "unless-stopped", name
        assert service["mem_limit"], name
        assert service["pids_limit"], name
        assert "privileged" not in service, name
        assert not service.get("cap_add") or name in ("influxdb", "proxy"), name
        if name != "influxdb":
            assert service["read_only"] is True, name
            assert re.fullmatch(r"[1-9]\d*:\d+", service["user"]), name


def test_only_trucks_and_people_reach_anything(compose: dict[str, Any]) -> None:
    ports = {name: one["ports"] for name, one in compose["services"].items() if "ports" in one}
    assert ports == {
        "broker": ["8883:8883"],
        "heatbook": ["443:8443"],
        "grafana": ["127.0.0.1:3000:3000"],
    }
    assert compose["networks"]["house"] == {"internal": True}
    assert compose["services"]["influxdb"]["networks"] == ["house"]


def test_images_are_named_without_a_host(
    compose: dict[str, Any], dockerfile: list[tuple[str, str]]
) -> None:
    images = [one["image"] for one in compose["services"].values()]
    images += [words.split()[0] for what, words in dockerfile if what == "FROM"]
    for image in images:
        first, slash, _ = image.partition("/")
        assert not slash or not set(".:") & set(first), image


def test_no_secret_stands_in_a_file(compose: dict[str, Any]) -> None:
    for name, service in compose["services"].items():
        for key, value in service.get("environment", {}).items():
            if re.search("PASSWORD|TOKEN|SECRET", key):
                assert str(value).startswith("/run/secrets"), (name, key)


def test_the_settings_are_good_and_reach_what_there_is(
    compose: dict[str, Any], loaded: Loaded
) -> None:
    settings, services = loaded.settings, compose["services"]
    assert settings.mqtt.host in services
    assert set(services["broker"]["networks"]) & set(services["heatbook"]["networks"])
    listeners = re.findall(r"^listener (.*)$", listener_file(), re.MULTILINE)
    assert listeners == ["8883", str(settings.mqtt.port)]
    assert settings.influx is not None
    assert settings.influx.url == "http://influxdb:8086"
    first = services["influxdb"]["environment"]
    assert settings.influx.org == first["DOCKER_INFLUXDB_INIT_ORG"]
    assert settings.influx.bucket == first["DOCKER_INFLUXDB_INIT_BUCKET"]
    mounts = dict(each.split(":")[1::-1] for each in services["heatbook"]["volumes"])
    assert settings.mqtt.tls is not None
    for file in (settings.mqtt.tls.ca_file, settings.mqtt.tls.key_file):
        assert file is not None
        assert str(file.parent) in mounts
    assert str(settings.store.path.parent) in mounts
    assert str(settings.backup.folder) in mounts
    assert str(loaded.fleet_file) == str(HERE / "fleet.toml")
    assert mounts["/etc/heatbook/fleet.toml"] == "./fleet.toml"


def listener_file() -> str:
    return (HERE / "heatbook-certificates.conf").read_text()


def test_the_broker_has_the_settings_that_ship_but_for_where_the_daemon_comes_in() -> None:
    shipped = (ROOT / "deploy" / "mosquitto" / "heatbook-certificates.conf").read_text()
    before, daemon, after = re.split(r"(?<=# --- Heatbook\n)|(?=listener 8884)", shipped)
    ours = listener_file().partition(before)[2]
    said = ours.partition("listener 8884")[0]
    assert (
        said.count("\n") == said.count("# ") > 0
    )  # a comment of its own: it is not this machine alone
    assert "this machine alone" in daemon
    assert "this machine alone" not in said
    wanted = before + said + after.replace("listener 8884 127.0.0.1\n", "listener 8884\n")
    assert "127.0.0.1" in after
    assert listener_file().endswith(wanted)
    head = listener_file().removesuffix(wanted).splitlines()
    assert all(not line or line.startswith("#") for line in head)


def test_the_image_is_made_of_what_there_is_and_of_all_that_the_wheel_takes(
    dockerfile: list[tuple[str, str]],
) -> None:
    copied = [
        source
        for what, words in dockerfile
        if what == "COPY" and "--from" not in words
        for source in words.split()[:-1]
    ]
    ignored = (HERE / "Dockerfile.dockerignore").read_text().splitlines()
    let_in = [line[1:] for line in ignored if line.startswith("!")]
    for source in copied:
        assert (ROOT / source).exists(), source
        assert any(fnmatch.fnmatch(source.split("/")[0], each) for each in let_in), source
    project = (ROOT / "pyproject.toml").read_text()
    (packages,) = set(re.findall(r"^only-include = (\[.*\])$", project, re.MULTILINE))
    assert set(json.loads(packages)) <= set(copied)


def test_it_runs_as_a_number_and_keeps_everything_in_one_folder(
    dockerfile: list[tuple[str, str]], compose: dict[str, Any]
) -> None:
    said = dict(dockerfile)
    assert said["USER"] == compose["services"]["heatbook"]["user"] == "10001:10001"
    assert said["VOLUME"] == said["WORKDIR"] == "/data"
    assert said["STOPSIGNAL"] == "SIGTERM"
    assert json.loads(said["ENTRYPOINT"]) + json.loads(said["CMD"]) == ["heatbook", "serve"]
    env = dict(each.partition("=")[::2] for each in shlex.split(said["ENV"]))
    assert env["CACHE_DIRECTORY"].startswith("/data/")
    assert env["MPLCONFIGDIR"].startswith("/data/")
    assert env["HEATBOOK_CONFIG"] == "/etc/heatbook/heatbook.toml"


@contextmanager
def health(status: int) -> Iterator[int]:
    """Answer every question with one status."""

    class Answer(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(status if self.path == "/healthz" else 404)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    with HTTPServer(("127.0.0.1", 0), Answer) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield server.server_address[1]
        server.shutdown()
        thread.join()


def test_its_health_check_tells_well_from_ill(
    dockerfile: list[tuple[str, str]], loaded: Loaded
) -> None:
    words = dict(dockerfile)["HEALTHCHECK"]
    python, option, code = json.loads(words[words.index("CMD ") + 4 :])
    assert (python, option) == ("python", "-c")
    asked = loaded.settings.health
    assert asked is not None
    where = f"http://{asked.bind}:{asked.port}/healthz"
    assert where in code
    for status, well in ((200, True), (503, False)):
        with health(status) as port:
            here = code.replace(str(asked.port), str(port))
            done = subprocess.run(  # noqa: S603 - the check that ships
                [sys.executable, "-c", here], check=False, capture_output=True
            )
        assert (done.returncode == 0) is well
