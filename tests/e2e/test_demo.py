"""The demo from end to end, without a terminal; nothing of it outlives it."""

from __future__ import annotations

import re
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from deploy.broker import Kind
from deploy.waiting import until
from simulator.northfold import northfold
from tests.brokers import need_mosquitto
from tests.e2e.processes import Marked, start

pytestmark = [
    pytest.mark.skipif(sys.platform != "linux", reason="looks processes up in /proc"),
    pytest.mark.timeout(600),
]

FAST = ("--speed", "600", "--no-history")
PATIENCE_S = 240.0


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


CONSOLE = re.compile(r"The console: (http://\S+)   name: (\S+)   password: (\S+)")


@contextmanager
def let_in(log: Path) -> Iterator[httpx.Client]:
    """Sign in at the console of a demo by what it has said."""
    found = CONSOLE.search(log.read_text())
    assert found is not None, log.read_text()
    address, name, password = found.groups()
    with httpx.Client(base_url=address, headers={"Origin": address.rstrip("/")}) as client:
        form = client.get("/sign-in")
        assert form.status_code == 200
        token = re.search(r'name="csrf" value="([^"]+)"', form.text)
        assert token is not None
        given = {"name": name, "password": password, "csrf": token[1]}
        assert client.post("/sign-in", data=given).status_code == 303
        yield client


def said_where(log: Path) -> bool:
    return CONSOLE.search(log.read_text()) is not None


def test_the_console_is_there_with_the_trucks_on_it_and_goes_with_the_demo(log: Path) -> None:
    demo = start("demo", "--for", "600", *FAST, "--broker", "embedded", log=log)
    try:
        assert until(lambda: said_where(log), PATIENCE_S), log.read_text()
        with let_in(log) as client:
            assert until(lambda: "NF-03" in client.get("/").text, PATIENCE_S)
            people = client.get("/people")
            assert people.status_code == 200
            assert "Omar" in people.text
            demo.process.send_signal(signal.SIGINT)
            assert demo.process.wait(PATIENCE_S) == 0, log.read_text()
            with pytest.raises(httpx.TransportError):
                client.get("/")
        assert not demo.left
    finally:
        demo.process.kill()
        demo.process.wait()


def test_nobody_else_is_let_in(log: Path) -> None:
    demo = start("demo", "--for", "600", *FAST, "--broker", "embedded", log=log)
    try:
        assert until(lambda: said_where(log), PATIENCE_S), log.read_text()
        found = CONSOLE.search(log.read_text())
        assert found is not None
        with httpx.Client(base_url=found[1]) as client:
            shown = client.get("/trucks/NF-01")
            assert shown.status_code in (303, 401)
            assert "NF-01" not in shown.text
    finally:
        demo.process.kill()
        demo.process.wait()


def test_two_years_lie_behind_the_fleet(log: Path) -> None:
    demo = start("demo", "--for", "600", "--broker", "embedded", log=log)
    try:
        assert until(lambda: said_where(log), 500.0), log.read_text()
        with let_in(log) as client:
            failed = client.get("/alarms/past", params={"truck": "NF-08"})
            assert failed.status_code == 200
            assert "lockup" in failed.text.lower() or "clutch" in failed.text.lower()
            demo.process.send_signal(signal.SIGINT)
            assert demo.process.wait(PATIENCE_S) == 0, log.read_text()
        said = log.read_text()
        # Of alarms that were over long before nothing is said in the summary of the day.
        assert "lockup slip" not in said
        assert not demo.left
    finally:
        demo.process.kill()
        demo.process.wait()
