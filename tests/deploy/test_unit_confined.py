"""The daemon, installed from its wheel, run as the unit runs it: under all that the unit forbids."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from deploy.broker import RunningBroker, start_broker
from deploy.database import Database
from deploy.waiting import until
from tests.brokers import ChildBroker, need_mosquitto, peer
from tests.deploy.confinement import KEPT, NOBODY, Places, confined, may_confine
from tests.deploy.unit_files import settings_of

ROOT = Path(__file__).resolve().parents[2]
PATIENCE_S = 600.0
"""The first start compiles the models, half a minute of a core that nobody else uses."""


@dataclass(slots=True, kw_only=True)
class Unit:
    """A daemon installed from its wheel, run under what the unit forbids."""

    process: subprocess.Popen[bytes]
    notices: socket.socket
    state: Path
    log: Path
    said: list[str]

    def has_said(self, word: str) -> bool:
        """Read what it tells its manager; say whether a line of that was among it."""
        while True:
            try:
                self.said += self.notices.recv(4096).decode().splitlines()
            except BlockingIOError:
                return any(line.startswith(word) for line in self.said)

    @property
    def over(self) -> bool:
        """Whether it has ended."""
        return self.process.poll() is not None

    def end(self) -> int:
        """Stop it as systemd does, and give its exit code."""
        (child,) = (
            Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children")
            .read_text()
            .split()
        )
        os.kill(int(child), signal.SIGTERM)
        return self.process.wait(PATIENCE_S)


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The installed package, as a wheel makes it, apart from this checkout."""
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    subprocess.run(command, cwd=ROOT, check=True, capture_output=True)  # noqa: S603 - as pip would
    (made,) = folder.glob("*.whl")
    shutil.unpack_archive(made, folder / "installed", format="zip")
    for source in (folder / "installed").rglob("*.py"):
        os.utime(source, (1_600_000_000, 1_600_000_000))
    return folder / "installed"


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[RunningBroker]:
    need_mosquitto()
    running = start_broker("mosquitto", directory=tmp_path / "broker")
    yield running
    running.kill()


@pytest.fixture
def places() -> Iterator[Places]:
    if not may_confine():
        pytest.skip("namespaces need root and a kernel that lets us")
    found = Places(own=Path(f"/run/heatbook-{os.getpid()}"))
    found.make()
    yield found
    shutil.rmtree(found.own)


@pytest.fixture
def unit(places: Places, wheel: Path, broker: RunningBroker, tmp_path: Path) -> Iterator[Unit]:
    places.config.write_text(f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\n')
    (places.credentials / "mqtt__client_id").write_text("heatbook-unit\n")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as notices:
        notices.bind(str(places.notify))
        places.notify.chmod(0o777)
        notices.setblocking(False)
        log = tmp_path / "daemon.log"
        with log.open("wb") as out:
            process = subprocess.Popen(  # noqa: S603 - our own command
                confined(places, wheel, "serve"),
                stdout=out,
                stderr=out,
                stdin=subprocess.DEVNULL,
            )
        yield Unit(process=process, notices=notices, state=places.state, log=log, said=[])
        process.kill()
        process.wait()


@pytest.mark.alone
@pytest.mark.timeout(900)
def test_from_its_wheel_it_runs_under_what_the_unit_forbids(
    unit: Unit, broker: RunningBroker
) -> None:
    assert until(lambda: unit.has_said("READY=1") or unit.over, PATIENCE_S)
    assert not unit.over, unit.log.read_text()
    with peer(ChildBroker(broker)) as truck:
        truck.watch("fleet/NF-01/received")
        truck.publish(
            "fleet/NF-01/telemetry", b'{"time": 1781000000, "fluid_temp_c": 91.5, "seq": 1}'
        )
        assert until(lambda: bool(truck.heard), PATIENCE_S), unit.log.read_text()
        assert json.loads(truck.heard[0][1])["time"] == "2026-06-09T10:13:20.000Z"
    assert until(lambda: unit.has_said("WATCHDOG=1"), PATIENCE_S)
    assert list(KEPT.rglob("*.nbc")), "compiled code was not kept"
    assert "Traceback" not in unit.log.read_text(), unit.log.read_text()
    assert "not permitted" not in unit.log.read_text(), unit.log.read_text()
    assert unit.end() == 0, unit.log.read_text()
    assert unit.has_said("STOPPING=1")
    with sqlite3.connect(unit.state / "heatbook.db") as store:
        assert store.execute("SELECT sum(samples) FROM journal").fetchone() == (1,)
    assert (unit.state / "heatbook.db").stat().st_uid == NOBODY


TRIES = """
import os, socket
def tried(what):
    try:
        what()
    except OSError as error:
        return type(error).__name__
    return "done"
print(os.getuid(), *map(tried, (
    lambda: open("/etc/heatbook-was-here", "w"),
    lambda: open("/run/heatbook-was-here", "w"),
    lambda: open("own-file", "w"),
    lambda: socket.socket(socket.AF_NETLINK, socket.SOCK_RAW),
    lambda: socket.socket(socket.AF_INET),
    lambda: os.setpriority(os.PRIO_PROCESS, 0, 5),
    lambda: os.chroot("/"),
    lambda: open("/proc/meminfo"),
)))
"""


def test_what_the_unit_forbids_is_forbidden_to_it_here(places: Places, wheel: Path) -> None:
    """Else the test before this one would show nothing."""
    done = subprocess.run(  # noqa: S603 - our own command
        confined(places, wheel, code=TRIES), capture_output=True, text=True, check=False
    )
    assert done.stdout.split() == [
        str(NOBODY),
        *("OSError", "OSError", "done"),  # read-only, but for its own folder
        *("PermissionError", "done", "PermissionError", "PermissionError"),
        "FileNotFoundError",
    ], done.stderr


@pytest.mark.alone
@pytest.mark.timeout(900)
def test_the_nightly_backup_runs_under_what_its_unit_forbids(
    places: Places, wheel: Path
) -> None:
    Database(places.state / "heatbook.db").close()
    for file in places.state.iterdir():
        os.chown(file, NOBODY, NOBODY)
    places.config.write_text(f'[backup]\nfolder = "{places.backups}"\n')
    service = "heatbook-backup.service"
    _, *words = settings_of(service)["ExecStart"][0].split()
    done = subprocess.run(  # noqa: S603 - our own command
        confined(places, wheel, *words, service=service),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    (made,) = places.backups.glob("heatbook-*")
    looked_at = subprocess.run(  # noqa: S603 - our own command
        confined(places, wheel, "backup", "verify", str(made), service=service),
        capture_output=True,
        text=True,
        check=False,
    )
    assert looked_at.returncode == 0, looked_at.stdout + looked_at.stderr
