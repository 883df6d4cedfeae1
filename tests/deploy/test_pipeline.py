"""What a batch does, and that a batch which fails does nothing."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray

import deploy.pipeline
from deploy.database import Database
from deploy.pipeline import Pipeline, Position
from deploy.trucks import params_of
from ingest import inbox, quarantine
from ingest.fold import Folded, fold
from ingest.held import Held
from ingest.message import Message
from models.fleet import Fleet, Limits, Vehicle
from tests.deploy.store import (
    FLEET,
    dump,
    kept,
    pipeline,
    store,
    undisturbed,
)
from tests.recorded import MINUTE_MS, NOON_MS, climb, message

DAY = climb(200, slope_k_min=0.6)


def _in_batches(running: Pipeline, vehicle: str, count: int = 40) -> None:
    for position in range(0, len(DAY), count):
        running.commit([message(vehicle, DAY[position : position + count])])


def _memory(running: Pipeline) -> dict[str, tuple[bytes, int, int, object]]:
    return {
        name: (held.state.tobytes(), held.last_ms, held.checkpoint_ms, held.sequence)
        for name, held in running.trucks.items()
    }


def test_the_position_is_the_newest_sample_and_the_counter_without_gap(tmp_path: Path) -> None:
    body = b'[{"time":1767268800.5,"seq":7,"gear":1},{"time":1767268801,"seq":8,"gear":1}]'
    with store(tmp_path) as database:
        running = pipeline(database)
        topic = "fleet/NF-01/telemetry"
        assert running.commit([Message(topic=topic, payload=body)]) == [
            Position(vehicle="NF-01", time_ms=1_767_268_801_000, seq=8)
        ]
        gap = b'{"time":1767268805,"seq":12,"gear":1}'
        (after,) = running.commit([Message(topic=topic, payload=gap)])
        assert (after.time_ms, after.seq) == (1_767_268_805_000, 8)


def test_a_refused_sample_does_not_hold_up_the_counter(tmp_path: Path) -> None:
    """Its bytes are safe in quarantine: a gateway that waited for it would wait for ever."""
    topic = "fleet/NF-01/telemetry"
    good = b'{"time":1767268800,"seq":1,"gear":1}'
    mixed = b'[{"time":1767268801,"seq":2,"gear":"x"},{"time":1767268802,"seq":3,"gear":1}]'
    broken = b'{"time":1767268803,"seq":4,"gear":NaN}'
    with store(tmp_path) as database:
        running = pipeline(database)
        running.commit([Message(topic=topic, payload=good)])
        (after,) = running.commit([Message(topic=topic, payload=mixed)])
        assert after.seq == 3
        (after,) = running.commit([Message(topic=topic, payload=broken)])
        assert after.seq == 4


def test_a_status_alone_gives_no_position(tmp_path: Path) -> None:
    payload = b'{"online":true,"time":1767268800}'
    with store(tmp_path) as database:
        running = pipeline(database)
        assert running.commit([Message(topic="fleet/NF-01/status", payload=payload)]) == []
        assert running.trucks["NF-01"].online is True
        assert pipeline(database).trucks["NF-01"].online is True


def test_received_is_stored_and_repeated_and_refused(tmp_path: Path) -> None:
    bad = b'[{"time":1767268800,"gear":1},{"time":1767268801,"gear":99}]'
    with store(tmp_path) as database:
        running = pipeline(database)
        batch = [
            message("NF-01", DAY[:10]),
            message("NF-01", DAY[5:15]),
            Message(topic="fleet/NF-02/telemetry", payload=bad),
            Message(topic="fleet/NF-02/telemetry", payload=b"{"),
        ]
        running.commit(batch)
        counts = running.counts
        assert (counts.messages, counts.stored, counts.repeated) == (4, 16, 5)
        assert (counts.refused, counts.late, counts.commits) == (2, 0, 1)


def test_unknown_fields_are_counted_by_name(tmp_path: Path) -> None:
    body = b'{"time":1767268800,"gear":1,"mood":"good"}'
    with store(tmp_path) as database:
        running = pipeline(database)
        for _ in range(3):
            running.commit([Message(topic="fleet/NF-01/telemetry", payload=body)])
        with database.read() as conn:
            rows = conn.execute("SELECT name, times FROM unknown_field").fetchall()
    assert rows == [("mood", 3)]


def test_an_unregistered_truck_is_refused_only_when_the_settings_say_so(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        strict = pipeline(database, refuse_unregistered=True)
        strict.commit([message("XX-9", DAY[:5]), message("NF-01", DAY[:5])])
        assert set(strict.trucks) == {"NF-01"}
        with database.read() as conn:
            (entry,) = quarantine.listing(conn)
        assert (entry.reason, entry.vehicle, entry.field) == ("unregistered", "XX-9", "topic")
        lenient = pipeline(database)
        lenient.commit([message("XX-9", DAY[:5])])
        assert set(lenient.trucks) == {"NF-01", "XX-9"}


def test_what_a_person_mended_goes_in_once(tmp_path: Path) -> None:
    mended = message("NF-01", DAY[:3])
    with store(tmp_path) as database:
        running = pipeline(database)
        assert running.commit_inbox() == []
        with database.write() as tx:
            inbox.put(tx, topic=mended.topic, payload=mended.payload)
        (position,) = running.commit_inbox()
        assert position.time_ms == DAY[2]["time_ms"]
        assert running.commit_inbox() == []
        assert running.counts.stored == 3


def test_a_new_process_goes_on_where_the_old_one_stopped(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        first = pipeline(database)
        _in_batches(first, "NF-01")
        assert _memory(pipeline(database)) == _memory(first)


def test_changed_parameters_rebuild_from_the_journal(tmp_path: Path) -> None:
    hotter = params_of(
        Fleet(
            vehicles={
                **FLEET.vehicles,
                "NF-01": Vehicle(name="NF-01", limits=Limits(over_temperature_c=190.0)),
            }
        ),
        max_gap_s=300.0,
        silent_after_s=900.0,
    )
    with store(tmp_path) as database:
        _in_batches(pipeline(database), "NF-01")
        before = kept(database)
        assert "over_temperature" in {one[2] for one in before[1]}
        changed = pipeline(database, params=hotter)
        assert kept(database) == undisturbed({"NF-01": DAY}, hotter)
        assert "over_temperature" not in {one[2] for one in kept(database)[1]}
        changed.commit([message("NF-01", climb(5, start_ms=NOON_MS + 200 * MINUTE_MS))])
        # And back: the first account comes back with the first parameters.
        pipeline(database)
        again = DAY + climb(5, start_ms=NOON_MS + 200 * MINUTE_MS)
        assert kept(database) == undisturbed({"NF-01": again})


def test_changed_models_rebuild_too(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        _in_batches(pipeline(database), "NF-01")
        expected = kept(database)
        with database.write() as tx:
            # As if another version had left other states behind.
            tx.execute("UPDATE vehicle_state SET state = zeroblob(length(state))")
            tx.execute("UPDATE checkpoint SET state = zeroblob(length(state))")
            tx.execute("DELETE FROM transition")
        running = pipeline(database, model_version="another")
        assert kept(database) == expected
        late = [{**DAY[30], "fluid_temp_c": 140.0}]
        running.commit([message("NF-01", late)])
        assert kept(database) == undisturbed({"NF-01": DAY + late})


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

    monkeypatch.setattr(deploy.pipeline, "fold", failing)
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
