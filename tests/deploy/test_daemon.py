"""The running daemon with a source in memory and a clock that the test turns."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC
from pathlib import Path
from random import Random
from threading import Event, current_thread

import pytest
from structlog.testing import capture_logs

from alerts import chatter, escalation, journal, silence
from alerts.ledger import Alarm
from alerts.watch import EVERYBODY, SilenceLimits
from deploy.daemon import Daemon, Pace, Parts
from deploy.database import Database
from deploy.schedule import Schedule, wall_clock
from deploy.waiting import until
from models.kernel import KINDS
from review.kinds import WORDS
from tests.deploy.store import pipeline, rules
from tests.list_source import ListSource
from tests.recorded import MINUTE_MS, NOON_MS, climb, message

DAY = climb(60, slope_k_min=0.2)
PATIENCE_S = 20.0


class Running:
    """A daemon, its source, and its clock."""

    def __init__(self, folder: Path, newest: int = -1, batch: int = 500) -> None:
        self.now_ms = int(DAY[newest]["time_ms"])
        self.source = ListSource()
        self.database = Database(folder / "heatbook.db", synchronous="off")
        self.schedule = Schedule(self.database, UTC)
        parts = Parts(
            database=self.database,
            source=self.source,
            pipeline=pipeline(self.database),
            schedule=self.schedule,
            rules=rules(),
            channels={},
            compose=lambda *_: pytest.fail("nobody is to be told"),
            limits=SilenceLimits(),
            now_ms=lambda: self.now_ms,
            rng=Random(1),
        )
        # The pipeline goes by the same clock as the watch.
        parts.pipeline._now_ms = lambda: self.now_ms
        pace = Pace(
            commit_messages=batch,
            commit_wait_s=0.005,
            watch_every_s=0.01,
            received_every_ms=0,
        )
        self.daemon = Daemon(parts, pace)

    def standing(self) -> list[Alarm]:
        with self.database.read() as conn:
            return journal.standing(conn)


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    one = Running(tmp_path)
    one.daemon.start()
    yield one
    one.daemon.stop()


def test_the_words_of_every_kind_are_known() -> None:
    assert set(WORDS) == set(KINDS)


def test_what_is_committed_is_acknowledged_and_told_to_the_gateway(running: Running) -> None:
    running.source.feed([message("NF-03", DAY[:20])])
    assert until(lambda: bool(running.source.published), PATIENCE_S)
    topic, payload, retain = running.source.published[-1]
    assert (topic, retain) == ("fleet/NF-03/received", True)
    newest = json.loads(payload)
    assert newest["seq"] is None
    assert newest["time"].endswith("Z")
    assert len(running.source.acked) == 1


def test_a_moving_truck_that_falls_silent_is_noticed_and_its_return_too(
    tmp_path: Path,
) -> None:
    running = Running(tmp_path, newest=19)
    running.daemon.start()
    running.source.feed([message("NF-03", DAY[:20])])
    assert until(lambda: bool(running.source.acked), PATIENCE_S)
    running.now_ms = int(DAY[19]["time_ms"]) + 16 * MINUTE_MS
    assert until(lambda: bool(running.standing()), PATIENCE_S)
    (alarm,) = running.standing()
    assert (alarm.vehicle, alarm.kind, alarm.active) == ("NF-03", "gateway_silent", True)
    running.now_ms = int(DAY[-1]["time_ms"])
    running.source.feed([message("NF-03", DAY[20:])])
    assert until(lambda: not any(one.active for one in running.standing()), PATIENCE_S)
    running.daemon.stop()


def test_a_store_that_cannot_be_written_is_said_once_also_when_nothing_comes(
    running: Running,
) -> None:
    turns: list[None] = []
    turn = running.daemon.turn
    running.daemon.turn = lambda: turns.append(turn())  # type: ignore[method-assign]
    running.database._writer.execute("PRAGMA busy_timeout=1")
    path = running.database.path
    with closing(sqlite3.connect(path, isolation_level=None)) as other, capture_logs() as said:
        other.execute("BEGIN IMMEDIATE")
        assert until(lambda: bool(said), PATIENCE_S)
        before = len(turns)
        assert until(lambda: len(turns) > before + 100, PATIENCE_S)
        assert [one["event"] for one in said] == ["store.failed"]
        other.execute("ROLLBACK")
        assert until(lambda: len(said) > 1, PATIENCE_S)
        assert [one["event"] for one in said] == ["store.failed", "store.recovered"]


def test_everything_taken_is_committed_before_the_end(tmp_path: Path) -> None:
    one = Running(tmp_path, batch=7)
    one.source.feed([message("NF-03", [sample]) for sample in DAY])
    one.daemon.start()
    assert until(lambda: bool(one.source.acked), PATIENCE_S)
    one.daemon.stop()  # in the middle of it, as likely as not
    taken = len(DAY) - one.source.state.waiting
    assert len(one.source.acked) == taken
    again = Database(tmp_path / "heatbook.db")
    with again.read() as conn:
        (stored,) = conn.execute("SELECT sum(samples) FROM journal").fetchone()
    again.close()
    assert stored == taken


def test_what_is_scheduled_is_done_by_the_committer_and_once(tmp_path: Path) -> None:
    running = Running(tmp_path, newest=19)
    done: list[tuple[str, int]] = []
    running.schedule.add(
        "test",
        wall_clock(hour=13),
        lambda _tx, now_ms: done.append((current_thread().name, now_ms)),
    )
    running.daemon.start()
    running.source.feed([message("NF-03", DAY[:20])])
    assert until(lambda: bool(running.source.acked), PATIENCE_S)
    due_ms = NOON_MS + 60 * MINUTE_MS
    running.now_ms = due_ms
    assert until(lambda: bool(done), PATIENCE_S)
    running.now_ms += MINUTE_MS
    running.source.feed([message("NF-03", DAY[20:21])])
    assert until(lambda: len(running.source.acked) == 2, PATIENCE_S)
    running.daemon.stop()
    assert done == [("committer", due_ms)]


def test_a_broker_that_is_away_is_one_alarm_and_its_return_the_end(tmp_path: Path) -> None:
    running = Running(tmp_path, newest=19)
    running.daemon.start()
    running.source.feed([message("NF-03", DAY[:20])])
    assert until(lambda: bool(running.source.acked), PATIENCE_S)
    running.source.cut()
    assert until(lambda: not running.daemon._link.connected, PATIENCE_S)
    running.now_ms = int(DAY[19]["time_ms"]) + 30 * MINUTE_MS
    assert until(lambda: bool(running.standing()), PATIENCE_S)
    (alarm,) = running.standing()
    assert alarm.vehicle == EVERYBODY
    assert alarm.evidence["broker_down_minutes"] >= 5.0
    running.source.mend()
    assert until(lambda: not any(one.active for one in running.standing()), PATIENCE_S)
    assert [one.vehicle for one in running.standing()] == [EVERYBODY]
    running.daemon.stop()


def test_a_look_that_fails_stops_neither_the_others_nor_what_comes_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise KeyError("a fault of ours")

    monkeypatch.setattr(silence, "tick", fail)
    monkeypatch.setattr(chatter, "tick", fail)
    looked = Event()
    monkeypatch.setattr(escalation, "tick", lambda *_, **__: looked.set())
    running = Running(tmp_path)
    with capture_logs() as logged:
        running.daemon.start()
        running.source.feed([message("NF-03", DAY[:20])])
        assert until(lambda: bool(running.source.acked), PATIENCE_S)
        assert looked.wait(PATIENCE_S)
        assert running.daemon.alive
        running.daemon.stop()
    failed = [each["look"] for each in logged if each["event"] == "look.failed"]
    assert failed == ["silence", "chatter"]
