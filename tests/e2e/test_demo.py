"""The demo from end to end, without a terminal; nothing of it outlives it."""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from deploy.broker import Kind
from deploy.waiting import until
from simulator.northfold import northfold
from tests.brokers import need_mosquitto
from tests.e2e.processes import Marked, start

pytestmark = [
    pytest.mark.skipif(sys.platform != "linux", reason="looks processes up in /proc"),
    pytest.mark.timeout(240),
]

FAST = ("--speed", "1200")
PATIENCE_S = 90.0


@pytest.fixture(params=["mosquitto", "embedded"])
def kind(request: pytest.FixtureRequest) -> Kind:
    chosen: Kind = request.param
    if chosen == "mosquitto":
        need_mosquitto()
    return chosen


@pytest.fixture
def log(tmp_path: Path) -> Path:
    return tmp_path / "demo.log"


KINDS = ("bypass stuck", "over temperature", "service due", "gateway silent")


@pytest.fixture
def running(kind: Kind, log: Path, tmp_path: Path) -> Iterator[Marked]:
    """A demo that would go on for long, once the first notice is out."""
    demo = start(
        "demo", "--for", "600", *FAST, "--broker", kind, "--folder", str(tmp_path), log=log
    )
    try:
        assert until(lambda: "raised" in log.read_text(), PATIENCE_S), log.read_text()
        assert len(demo.left) >= 2, "a broker and a daemon"
        yield demo
    finally:
        demo.process.kill()
        demo.process.wait()


def test_it_shows_every_truck_and_alarm_and_leaves_nothing(kind: Kind, log: Path) -> None:
    demo = start("demo", *FAST, "--broker", kind, log=log)
    shown = until(lambda: all(one in log.read_text() for one in KINDS), PATIENCE_S)
    demo.process.send_signal(signal.SIGINT)
    code = demo.process.wait(PATIENCE_S)
    said = log.read_text()
    assert shown, said
    assert code == 0, said
    assert not demo.left
    summary = said[said.index("Every truck") :]
    for plan in northfold().plans:
        assert plan.vehicle in summary
    alarms = summary[summary.index("Every alarm") :]
    for expected in KINDS:
        assert expected in alarms, said


def test_it_ends_by_itself_when_its_time_is_up(kind: Kind, log: Path) -> None:
    demo = start("demo", "--for", "2", *FAST, "--broker", kind, log=log)
    assert demo.process.wait(PATIENCE_S) == 0, log.read_text()
    assert "Every truck" in log.read_text()
    assert not demo.left


def test_an_interrupt_ends_it_in_order(running: Marked, log: Path) -> None:
    running.process.send_signal(signal.SIGINT)
    code = running.process.wait(PATIENCE_S)
    said = log.read_text()
    assert code == 0, said
    assert "Every truck" in said
    assert "Traceback" not in said
    assert not running.left


def test_killed_it_takes_broker_and_daemon_with_it(running: Marked) -> None:
    running.process.kill()
    running.process.wait()
    assert until(lambda: not running.left, 20.0), f"still there: {running.left}"
