"""What a service manager is told, through a real datagram socket, by a daemon that is really stuck."""

from __future__ import annotations

import socket
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from secrets import token_hex

import pytest

from deploy import signs
from deploy.herald import Herald, herald_of
from deploy.signs import alive, well
from deploy.waiting import until
from tests.deploy.test_daemon import DAY, PATIENCE_S, Running
from tests.recorded import message


class Manager:
    """The far side: a datagram socket as the service manager has one."""

    def __init__(self, address: str) -> None:
        self.address = address
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind("\0" + address[1:] if address.startswith("@") else address)
        self._socket.setblocking(False)

    def heard(self) -> list[dict[str, str]]:
        """Give what came since the last look, each datagram as its assignments."""
        found: list[dict[str, str]] = []
        while True:
            try:
                text = self._socket.recv(65_536).decode()
            except BlockingIOError:
                return found
            found.append(dict(line.split("=", maxsplit=1) for line in text.splitlines()))

    def close(self) -> None:
        self._socket.close()


@pytest.fixture(params=["in the file system", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Manager]:
    path = f"@heatbook-{token_hex(8)}" if request.param == "abstract" else str(tmp_path / "n")
    with closing(Manager(path)) as one:
        yield one


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    one = Running(tmp_path)
    yield one
    if one.daemon._committer.ident:
        one.daemon.stop()


def told(manager: Manager, key: str) -> list[str]:
    return [each[key] for each in manager.heard() if key in each]


def test_ready_is_told_once_and_only_when_messages_are_taken(
    manager: Manager, running: Running
) -> None:
    herald = Herald(manager.address, watchdog_s=None)
    herald._tell()
    (starting,) = manager.heard()
    assert int(starting["EXTEND_TIMEOUT_USEC"]) > 0
    assert "READY" not in starting
    herald.follow(lambda: running.daemon.signs)
    herald._tell()
    assert told(manager, "READY") == []
    running.daemon.start()
    herald._tell()
    (ready,) = manager.heard()
    assert ready["READY"] == "1"
    assert "WATCHDOG" not in ready  # nobody asked for it
    herald._tell()
    assert manager.heard() == []  # nothing new
    herald.stop()
    (ending,) = manager.heard()
    assert ending["STOPPING"] == "1"


def test_a_broker_that_is_away_is_said_and_does_not_keep_it_from_being_ready(
    manager: Manager, running: Running
) -> None:
    running.daemon.start()
    running.source.cut()
    herald = Herald(manager.address, watchdog_s=30.0)
    herald.follow(lambda: running.daemon.signs)
    herald._tell()
    (first,) = manager.heard()
    assert (first["READY"], first["WATCHDOG"]) == ("1", "1")
    assert first["STATUS"].startswith("the broker is away")
    running.source.mend()
    herald._tell()
    (second,) = manager.heard()
    assert second["STATUS"].startswith("connected to the broker")


def test_the_watchdog_hears_nothing_of_a_committer_that_hangs(
    manager: Manager, running: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(signs, "STUCK_MS", 1_000)
    running.daemon.start()
    herald = Herald(manager.address, watchdog_s=30.0)
    herald.follow(lambda: running.daemon.signs)
    herald._tell()
    assert told(manager, "WATCHDOG") == ["1"]
    # Another thread holds the one writer and does not let go: a deadlock, as far as the committer goes.
    with running.database._gate:
        assert until(lambda: not well(alive(running.daemon.signs)), PATIENCE_S)
        (bad,) = [each for each in alive(running.daemon.signs) if not each.good]
        assert bad.name == "committer"
        for _ in range(3):
            herald._tell()
        assert told(manager, "WATCHDOG") == []
    assert until(lambda: well(alive(running.daemon.signs)), PATIENCE_S)
    herald._tell()
    assert told(manager, "WATCHDOG") == ["1"]


def test_trying_again_on_a_store_that_cannot_be_written_is_getting_on(
    manager: Manager, running: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    running.daemon.start()
    running.database._writer.execute("PRAGMA busy_timeout=10")
    with closing(sqlite3.connect(running.database.path, isolation_level=None)) as thief:
        thief.execute("BEGIN IMMEDIATE")
        running.source.feed([message("NF-03", DAY[:20])])
        assert until(lambda: running.daemon.signs.failing_ms is not None, PATIENCE_S)
        monkeypatch.setattr(signs, "STUCK_MS", 5_000)
        turned = running.daemon.signs.turned_ms
        assert until(lambda: running.daemon.signs.turned_ms < turned, PATIENCE_S)
        herald = Herald(manager.address, watchdog_s=30.0)
        herald.follow(lambda: running.daemon.signs)
        herald._tell()
        (said,) = manager.heard()
        assert said["WATCHDOG"] == "1"
        assert said["STATUS"].startswith("the store cannot be written")
        assert "locked" in said["STATUS"]
        thief.execute("ROLLBACK")
    assert until(lambda: running.daemon.signs.failing_ms is None, PATIENCE_S)
    assert running.daemon.signs.failed_ms > 0
    assert until(lambda: len(running.source.acked) == 1, PATIENCE_S)


def test_a_thread_that_tells_by_itself_begins_before_there_is_a_daemon(
    manager: Manager, running: Running
) -> None:
    herald = Herald(manager.address, watchdog_s=0.2)
    herald.start()
    assert until(lambda: bool(told(manager, "EXTEND_TIMEOUT_USEC")), PATIENCE_S)
    running.daemon.start()
    herald.follow(lambda: running.daemon.signs)
    found: list[dict[str, str]] = []

    def pinged() -> bool:
        found.extend(manager.heard())
        return sum("WATCHDOG" in each for each in found) >= 3

    assert until(pinged, PATIENCE_S)
    assert sum("READY" in each for each in found) == 1
    assert herald.stop()


def test_a_manager_that_is_gone_stops_nothing(tmp_path: Path) -> None:
    herald = Herald(str(tmp_path / "nobody"), watchdog_s=1.0)
    herald._tell()
    herald._tell()
    assert herald._deaf


@pytest.mark.parametrize(
    ("env", "watched"),
    [
        ({"NOTIFY_SOCKET": "/run/n"}, False),
        ({"NOTIFY_SOCKET": "@n", "WATCHDOG_USEC": "60000000"}, True),
        # Meant for another process: sd_watchdog_enabled(3).
        ({"NOTIFY_SOCKET": "@n", "WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "1"}, False),
        ({"NOTIFY_SOCKET": "@n", "WATCHDOG_USEC": "no number"}, False),
    ],
)
def test_what_the_environment_asks_for(env: dict[str, str], watched: bool) -> None:
    herald = herald_of(env)
    assert herald is not None
    assert herald._watched is watched


@pytest.mark.parametrize("address", ["", "vsock:2:1234", "relative"])
def test_without_a_socket_of_this_kind_nobody_is_told(address: str) -> None:
    assert herald_of({"NOTIFY_SOCKET": address}) is None
