"""A batch that fails does nothing; a message that makes it fail is put aside."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray

import deploy.postponing
from deploy.database import Database
from deploy.pipeline import Pipeline
from ingest import inbox, quarantine
from ingest.archive import ArchiveError
from ingest.fold import Folded, fold
from ingest.held import Held
from ingest.message import Message
from tests.deploy.store import (
    dump,
    kept,
    pipeline,
    store,
    undisturbed,
)
from tests.recorded import NOON_MS, Sample, climb, message

DAY = climb(200, slope_k_min=0.6)


def _memory(running: Pipeline) -> dict[str, tuple[bytes, int, int, object]]:
    return {
        name: (held.state.tobytes(), held.last_ms, held.checkpoint_ms, held.sequence)
        for name, held in running.trucks.items()
    }


class Failing:
    """A connection that fails at its k-th statement, as on a full disk."""

    def __init__(self, conn: sqlite3.Connection, at: int | None) -> None:
        self._conn = conn
        self._at = at
        self.statements = 0

    def __getattr__(self, name: str) -> Any:
        return getattr(self._conn, name)

    def _count(self) -> None:
        self.statements += 1
        if self.statements - 1 == self._at:
            raise sqlite3.OperationalError("database or disk is full")

    def execute(self, *args: Any) -> sqlite3.Cursor:
        self._count()
        return self._conn.execute(*args)

    def executemany(self, *args: Any) -> sqlite3.Cursor:
        self._count()
        return self._conn.executemany(*args)


def _with_writer(database: Database, writer: Any) -> Callable[[], None]:
    real = database._writer
    database._writer = cast("sqlite3.Connection", writer)

    def restore() -> None:
        database._writer = real

    return restore


def _telling_batch() -> list[Message]:
    """Late samples, a conflict, an alarm, a bad sample, a new truck, a status: every kind of write."""
    late = [{**sample, "time_ms": sample["time_ms"] + 30_000} for sample in DAY[20:160:9]]
    conflict = [{**DAY[50], "speed_km_h": 70.0}]
    return [
        message("NF-01", DAY[120:]),
        message("NF-01", late + conflict),
        message("NF-03", DAY[:30]),
        Message(
            topic="fleet/NF-02/telemetry",
            payload=b'[{"time":1767268800,"seq":3,"gear":1,"mood":1},{"time":1767268801}]',
        ),
        Message(topic="fleet/NF-02/status", payload=b'{"online":false,"time":1767268800}'),
    ]


def test_a_commit_that_fails_at_any_statement_did_nothing(tmp_path: Path) -> None:
    batch = _telling_batch()
    with store(tmp_path) as database:
        running = pipeline(database)
        running.commit([message("NF-01", DAY[:120])])
        before, memory, counts = dump(database), _memory(running), running.counts
        failures = 0
        while True:
            failing = Failing(database._writer, failures)
            restore = _with_writer(database, failing)
            try:
                running.commit(batch)
            except sqlite3.OperationalError:
                failures += 1
            else:
                break
            finally:
                restore()
            assert dump(database) == before
            assert _memory(running) == memory
            assert running.counts == counts
        assert failures == failing.statements > 40
        done = kept(database)
        running.commit(batch)
        assert kept(database) == done
        sent = DAY + [{**one, "time_ms": one["time_ms"] + 30_000} for one in DAY[20:160:9]]
        sent += [{**DAY[50], "speed_km_h": 70.0}]
        short = [{"time_ms": float(NOON_MS), "gear": 1.0}]
        assert done == undisturbed({"NF-01": sent, "NF-02": short, "NF-03": DAY[:30]})


def test_a_message_the_models_fail_on_is_put_aside_and_the_others_go_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(
        tx: sqlite3.Connection, held: Held, samples: NDArray[Any], *, received_ms: int
    ) -> Folded:
        if np.any(samples["coolant_temp_c"] == 66.6):
            raise ZeroDivisionError("a fault of ours")
        return fold(tx, held, samples, received_ms=received_ms)

    monkeypatch.setattr(deploy.postponing, "fold", failing)
    bad = message("NF-02", [{**DAY[0], "coolant_temp_c": 66.6}])
    batch = [message("NF-01", DAY[n : n + 20]) for n in range(0, 200, 20)]
    batch[3:3] = [bad]
    batch[8:8] = [message("NF-03", DAY[:50]), bad]
    with store(tmp_path) as database:
        running = pipeline(database)
        positions = running.commit(batch)
        assert {one.vehicle: one.time_ms for one in positions} == {
            "NF-01": DAY[-1]["time_ms"],
            "NF-03": DAY[49]["time_ms"],
        }
        assert kept(database) == undisturbed({"NF-01": DAY, "NF-03": DAY[:50]})
        with database.read() as conn:
            (listed,) = quarantine.listing(conn)
            entry = quarantine.show(conn, listed.id)
        assert entry is not None
        assert (entry.reason, entry.times) == ("not_processed", 2)
        assert (entry.topic, entry.raw) == (bad.topic, bad.payload)
        assert "ZeroDivisionError" in entry.detail
        # Mended, it goes in like any other.
        monkeypatch.undo()
        with database.write() as tx:
            taken = quarantine.take(tx, entry.id)
            assert taken is not None
            inbox.put(tx, topic=taken.topic, payload=taken.raw)
        running.commit_inbox()
        assert "NF-02" in running.trucks


def test_a_damaged_journal_row_stops_its_truck_alone(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        running = pipeline(database)
        running.commit([message("NF-01", DAY[:100]), message("NF-03", DAY[:100])])
        with database.write() as tx:
            tx.execute("UPDATE journal SET body = substr(body, 1, 200) WHERE vehicle_id = 1")
        late = [{**DAY[10], "time_ms": DAY[10]["time_ms"] + 1}]
        positions = running.commit([message("NF-01", late), message("NF-03", late)])
        assert [one.vehicle for one in positions] == ["NF-03"]
        with database.read() as conn:
            (entry,) = quarantine.listing(conn)
        assert entry.reason == "not_processed"
        assert "journal body" in entry.detail


@pytest.mark.parametrize("late", [[], DAY[20:30]])
def test_what_comes_while_a_truck_stands_still_counts_and_is_told_at_the_next_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, late: list[Sample]
) -> None:
    def fails(*_: object) -> Held:
        raise ArchiveError("a month cannot be read", "look at the disk")

    first = [sample for sample in DAY[:60] if sample not in late]
    with store(tmp_path) as database:
        pipeline(database).commit([message("NF-01", first)])
        with monkeypatch.context() as patched:
            patched.setattr("deploy.pipeline.caught_up", fails)
            running = pipeline(database)
        assert running.trucks["NF-01"].stopped
        running.commit([message("NF-01", DAY[60:] + late)])
        running.flush()
        assert not pipeline(database).trucks["NF-01"].stopped
        assert kept(database) == undisturbed({"NF-01": DAY})
