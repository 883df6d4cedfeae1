"""The broker as a child: on a port of its own, and never longer there than its parent."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from deploy.broker import (
    BrokerNotStarted,
    Kind,
    answers,
    find_broker,
    mosquitto_path,
    start_broker,
)
from deploy.waiting import until
from tests.brokers import PATIENCE_S, need

ROOT = Path(__file__).resolve().parents[2]
KINDS: list[Kind] = ["mosquitto", "embedded"]

PARENT = """
import sys, time
from pathlib import Path
from deploy.broker import start_broker
broker = start_broker(sys.argv[1], directory=Path(sys.argv[2]))
print(broker.port, broker.pid, flush=True)
time.sleep(600)
"""


@pytest.fixture(params=KINDS)
def kind(request: pytest.FixtureRequest) -> Kind:
    chosen: Kind = request.param
    if chosen == "mosquitto" and mosquitto_path() is None:
        need("embedded", "have settings")
    return chosen


def test_it_starts_stops_dies_and_comes_back_on_its_port(kind: Kind, tmp_path: Path) -> None:
    broker = start_broker(kind, directory=tmp_path)
    try:
        assert answers(broker.host, broker.port)
        assert broker.port != 1883
        for end in (broker.stop, broker.kill):
            pid = broker.pid
            end()
            assert not broker.running
            assert not answers(broker.host, broker.port)
            broker.restart()
            assert broker.pid != pid
            assert answers(broker.host, broker.port)
    finally:
        broker.stop()
        broker.stop()  # a second time does nothing


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM])
def test_it_ends_when_its_parent_ends_however_that_is(
    kind: Kind, tmp_path: Path, how: signal.Signals
) -> None:
    command = [sys.executable, "-c", PARENT, kind, str(tmp_path)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE) as parent:  # noqa: S603
        assert parent.stdout is not None
        port, pid = map(int, parent.stdout.readline().split())
        assert answers("127.0.0.1", port)
        parent.send_signal(how)
    assert until(lambda: not _alive(pid), PATIENCE_S)
    assert not answers("127.0.0.1", port)


@pytest.mark.skipif(sys.platform != "linux", reason="the kernel's help is Linux's")
def test_it_ends_when_its_guard_is_killed(tmp_path: Path) -> None:
    if mosquitto_path() is None:
        need("embedded", "have settings")
    broker = start_broker("mosquitto", directory=tmp_path)
    try:
        guard = int(Path(f"/proc/{broker.pid}/stat").read_text().rpartition(")")[2].split()[1])
        assert guard != os.getpid()
        os.kill(guard, signal.SIGKILL)
        assert until(lambda: not answers(broker.host, broker.port), PATIENCE_S)
    finally:
        broker.stop()


def test_a_taken_port_is_an_error_that_says_why(kind: Kind, tmp_path: Path) -> None:
    first = start_broker(kind, directory=tmp_path / "a")
    try:
        with pytest.raises(BrokerNotStarted) as caught:
            start_broker(kind, directory=tmp_path / "b", port=first.port)
        assert str(first.port) in str(caught.value)
    finally:
        first.stop()


def test_mosquitto_is_chosen_where_it_is_installed() -> None:
    assert find_broker() == ("embedded" if mosquitto_path() is None else "mosquitto")


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    # Ended but not yet collected by whoever adopted it counts as ended.
    return _state(pid) not in {"Z", ""}


def _state(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return ""
