"""Two daemons on one store, two with one client id, and a store that cannot be used: real processes.

The words are what an administrator reads; the exit code is what systemd sees.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack, closing
from pathlib import Path

import pytest

from deploy.broker import RunningBroker, start_broker
from deploy.database import Database
from deploy.waiting import until
from tests.brokers import need_mosquitto
from tests.torture.child import COMMAND, PATIENCE_S
from tests.torture.nursery import Nursery, NurseryChild, nursery

pytestmark = pytest.mark.timeout(600)

BUSY = "another Heatbook already writes to"

ALLOWED = ("setpriv", "--bounding-set=-dac_override,-dac_read_search")
"""Even root is held to the rights of files."""

SHUT = 'mount --bind "$1" "$1" && mount -o remount,bind,ro "$1" && shift && exec "$@"'


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningBroker]:
    need_mosquitto()
    running = start_broker("mosquitto", directory=tmp_path_factory.mktemp("broker"))
    try:
        yield running
    finally:
        running.kill()


@pytest.fixture(scope="module")
def origin() -> Iterator[Nursery]:
    with nursery() as made:
        yield made


@pytest.fixture
def daemons(
    tmp_path: Path, broker: RunningBroker, origin: Nursery
) -> Iterator[tuple[NurseryChild, NurseryChild]]:
    """Give two daemons with one client id, each with a store of its own."""
    with ExitStack() as stack:
        found = []
        for name in ("one", "two"):
            folder = tmp_path / name
            folder.mkdir()
            child = NurseryChild(
                folder=folder, settings=settings(broker, folder / "heatbook.db"), nursery=origin
            )
            stack.callback(child.abandon)
            found.append(child)
        yield found[0], found[1]


def settings(broker: RunningBroker, store: Path) -> str:
    return f"""
[mqtt]
host = "{broker.host}"
port = {broker.port}
client_id = "{store.parent.parent.name[-20:]}"
reconnect_min_s = 0.1
reconnect_max_s = 0.2
[store]
path = "{store}"
"""


def started(child: NurseryChild) -> None:
    before = child.log.count("daemon.started") if (child.folder / "daemon.log").exists() else 0
    child.start()
    child.wait_for(lambda: child.log.count("daemon.started") > before, "its start")


def test_the_second_on_one_store_refuses_and_harms_nothing(
    daemons: tuple[NurseryChild, NurseryChild],
) -> None:
    first, second = daemons
    second.settings = first.settings
    started(first)
    second.start()
    assert second.ended(PATIENCE_S) == 1
    assert f"{BUSY} {first.store}; stop it, or give this one another store" in second.log
    assert "daemon.started" not in second.log
    assert first.running
    assert first.stop() == 0


def test_a_kill_leaves_no_lock_behind(daemons: tuple[NurseryChild, NurseryChild]) -> None:
    first, second = daemons
    second.settings = first.settings
    started(first)
    first.kill()
    assert first.store.with_name("heatbook.db.lock").exists()
    started(second)
    first.start()
    assert first.ended(PATIENCE_S) == 1
    assert BUSY in first.log
    assert second.stop() == 0


def test_of_two_with_one_client_id_one_gives_way_and_says_so(
    daemons: tuple[NurseryChild, NurseryChild],
) -> None:
    first, second = daemons
    started(first)
    started(second)
    assert until(lambda: not (first.running and second.running), PATIENCE_S)
    loser, winner = (second, first) if first.running else (first, second)
    assert loser.ended(PATIENCE_S) == 1
    assert "session.taken_over" in loser.log
    assert "daemon.gives_way" in loser.log
    assert "give it another client_id" in loser.log
    assert winner.running
    assert "daemon.gives_way" not in winner.log
    assert winner.stop() == 0


def test_a_folder_that_may_not_be_written_is_said(tmp_path: Path) -> None:
    store = _store(tmp_path, there=False)
    store.parent.chmod(0o555)
    through = ALLOWED if os.getuid() == 0 else ()
    try:
        code, said = _serve(store, through)
    finally:
        store.parent.chmod(0o755)
    assert code == 1
    assert f"cannot use {store.parent} for the store: Permission denied" in said


def test_a_read_only_mount_is_said(tmp_path: Path) -> None:
    """As of a share that its server has set to read only; a share itself is not tried here."""
    store = _store(tmp_path, there=True)
    through = ("unshare", "--mount", "sh", "-c", SHUT, "sh", str(store.parent))
    if subprocess.run([*through, "true"], capture_output=True, check=False).returncode:  # noqa: S603
        pytest.skip("mounting needs root and a kernel that lets us")
    code, said = _serve(store, through)
    assert code == 1
    assert f"cannot use {store.parent} for the store: Read-only file system" in said


def _store(folder: Path, *, there: bool) -> Path:
    store = folder / "kept" / "heatbook.db"
    store.parent.mkdir()
    if there:
        with closing(Database(store)):
            pass
        store.with_name("heatbook.db.lock").unlink()
    return store


def _serve(store: Path, through: tuple[str, ...]) -> tuple[int, str]:
    """Start the daemon where it cannot work; give its exit code and what it said, on one line."""
    config = store.parent.parent / "heatbook.toml"
    config.write_text(f'[mqtt]\nhost = "127.0.0.1"\nport = 9\n[store]\npath = "{store}"\n')
    done = subprocess.run(  # noqa: S603 - our own command
        [*through, *COMMAND, "serve", "--config", str(config)],
        capture_output=True,
        text=True,
        check=False,
        timeout=4 * PATIENCE_S,
        env={**os.environ, "COLUMNS": "500"},
    )
    assert "Traceback" not in done.stderr, done.stderr
    return done.returncode, done.stdout + done.stderr
