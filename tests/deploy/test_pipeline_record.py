"""The service record in the pipeline: order leaves no trace, corrections run again, nothing is edited."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.ledger import alarms
from deploy.database import Database
from deploy.pipeline import AGAIN_MS, Pipeline
from deploy.record_intake import take_up
from ingest import record
from ingest.archive import ArchiveError
from ingest.record import Entry
from models.course import run
from models.kernel import STATE
from models.layout import blank
from models.layout import record as row
from tests.deploy.store import COURSES, kept, pipeline, store
from tests.recorded import HOUR_MS, MINUTE_MS, NOON_MS, climb, merged, message

TRUCK = "NF-03"
DAY = climb(300, slope_k_min=0.3)
"""Five hours, a sample a minute."""

WORDS: dict[str, dict[str, str]] = {
    "gearbox": {"fluid": "chart", "class": "heavy"},
    "circuit": {"circuit": "full_flow"},
}
NUMBERS: dict[str, dict[str, float]] = {
    "install": {"life_used": 0.1},
    "exchange": {"volume_l": 11.5},
    "pan_drop": {"volume_l": 5.0},
    "top_up": {"volume_l": 1.0},
    "sample": {"antioxidant": 0.8, "antioxidant_sd": 0.06},
}


def entry(kind: str, minute: float, **more: Any) -> Entry:
    values: dict[str, Any] = {
        "vehicle": TRUCK,
        "kind": kind,
        "time_ms": NOON_MS + round(minute * MINUTE_MS),
        "who": "technician",
        "entered_ms": NOON_MS + 10 * HOUR_MS,
        "numbers": NUMBERS.get(kind, {}),
        "words": WORDS.get(kind, {}),
        **more,
    }
    return Entry(**values)


def enter(database: Database, *entries: Entry) -> list[Entry]:
    with database.write() as tx:
        return [record.add(tx, one) for one in entries]


def state_of(running: Pipeline) -> Any:
    return row(running.trucks[TRUCK].state).truck.account


def alone(entries: list[Entry]) -> bytes:
    """Run the models once over all samples, with the entries in their places."""
    state = blank(STATE)
    dated = sorted(entries, key=lambda one: one.time_ms)
    run(COURSES(TRUCK, dated), state, merged(DAY)[0])
    return state.tobytes()


KINDS = ("install", "exchange", "pan_drop", "filter", "top_up", "gearbox", "circuit", "sample")


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from(KINDS), st.integers(-30, 330)), max_size=4, unique=True),
    st.integers(0, 2**16),
)
def test_the_state_does_not_depend_on_when_an_entry_was_made(
    told: list[tuple[str, int]], seed: int
) -> None:
    # Half past the minute: no two events of one time, whose order would be a matter of its own.
    entries = [entry(kind, minute + 0.1 * place) for place, (kind, minute) in enumerate(told)]
    rng = Random(seed)
    steps: list[Any] = [DAY[start : start + 50] for start in range(0, len(DAY), 50)]
    steps += entries
    rng.shuffle(steps)
    with TemporaryDirectory() as folder, store(Path(folder)) as database:
        running = pipeline(database)
        for step in steps:
            if isinstance(step, Entry):
                enter(database, step)
                running.commit_record()
            else:
                running.commit([message(TRUCK, step)])
        assert kept(database)[0] == {TRUCK: alone(entries)}
        assert pipeline(database).trucks[TRUCK].state.tobytes() == alone(entries)


def test_a_correction_runs_the_account_again_and_leaves_the_old_entry_to_be_read(
    tmp_path: Path,
) -> None:
    with store(tmp_path) as database:
        running = pipeline(database)
        running.commit([message(TRUCK, DAY)])
        (wrong,) = enter(database, entry("pan_drop", 60))
        running.commit_record()
        right = entry("pan_drop", 200, supersedes=wrong.id, numbers={"volume_l": 4.0})
        enter(database, right)
        running.commit_record()
        assert running.trucks[TRUCK].state.tobytes() == alone([right])
        enter(database, entry("struck", 200, supersedes=wrong.id and wrong.id + 1, numbers={}))
        running.commit_record()
        assert running.trucks[TRUCK].state.tobytes() == alone([])
        with database.read() as conn:
            assert [one.kind for one in record.history(conn, TRUCK)] == [
                "pan_drop",
                "pan_drop",
                "struck",
            ]


def test_an_entry_waits_for_an_archive_that_is_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now_ms = 0
    tries: list[int] = []

    def fails(*_: Any, **__: Any) -> None:
        tries.append(now_ms)
        raise ArchiveError("the months are away", "see that InfluxDB runs")

    monkeypatch.setattr("deploy.pipeline.monotonic_ms", lambda: now_ms)
    with store(tmp_path) as database:
        running = pipeline(database)
        running.commit([message(TRUCK, DAY)])
        dropped = enter(database, entry("pan_drop", 60))
        with monkeypatch.context() as patched:
            patched.setattr("deploy.pipeline.take_up", fails)
            for now_ms in (0, 1, AGAIN_MS - 1, AGAIN_MS):  # noqa: B007 - the clock
                running.commit_record()
        assert tries == [0, AGAIN_MS]
        now_ms = 2 * AGAIN_MS
        running.commit_record()
        assert running.trucks[TRUCK].state.tobytes() == alone(dropped)


def test_an_entry_runs_again_only_what_it_touches(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        running = pipeline(database)
        for start in range(0, len(DAY), 60):
            running.commit([message(TRUCK, DAY[start : start + 60])])
        before = running.trucks[TRUCK]
        enter(database, entry("pan_drop", 200))
        with database.write() as tx:
            taken = take_up(tx, TRUCK, running.trucks, courses=COURSES, model_version="tests")
        assert taken.folded is not None
        after_ms = taken.folded.after_ms
        assert NOON_MS < after_ms < NOON_MS + 200 * MINUTE_MS < before.last_ms


def test_an_entry_of_a_truck_never_heard_waits_for_its_first_sample(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        running = pipeline(database)
        before = entry("install", -60)
        enter(database, before)
        running.commit_record()
        assert TRUCK not in running.trucks
        running.commit([message(TRUCK, DAY)])
        assert running.trucks[TRUCK].state.tobytes() == alone([before])


def test_a_restart_between_entering_and_taking_up_loses_nothing(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        pipeline(database).commit([message(TRUCK, DAY)])
        drop = entry("pan_drop", 100)
        enter(database, drop)
        assert pipeline(database).trucks[TRUCK].state.tobytes() == alone([drop])
        with database.read() as conn:
            assert record.pending(conn) == []


def test_a_truck_that_the_record_registers_is_known(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        strict = pipeline(database, refuse_unregistered=True)
        stranger = message("NF-77", DAY[:1])
        strict.commit([stranger])
        assert strict.counts.refused == 1
        told = Entry(
            vehicle="NF-77",
            kind="register",
            time_ms=NOON_MS,
            who="manager",
            entered_ms=NOON_MS,
            words={"circuit": "full_flow"},
        )
        enter(database, told)
        strict.commit_record()
        strict.commit([stranger])
        assert "NF-77" in strict.trucks
        again = pipeline(database, refuse_unregistered=True)
        again.commit([message("NF-77", DAY[1:2])])
        assert again.counts.refused == 0
        with database.read() as conn:
            (registration,) = record.effective(conn, "NF-77")
        struck = replace(told, kind="struck", words={}, supersedes=registration.id)
        enter(database, struck)
        again.commit_record()
        again.commit([message("NF-77", DAY[2:3])])
        assert again.counts.refused == 1


def test_a_fault_of_ours_in_one_trucks_record_touches_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with store(tmp_path) as database:
        running = pipeline(database)
        running.commit([message(TRUCK, DAY), message("NF-01", DAY)])
        enter(database, entry("pan_drop", 60), entry("pan_drop", 60, vehicle="NF-01"))
        take = record.take

        def broken(tx: Any, vehicle: str) -> int:
            if vehicle == "NF-01":
                raise ZeroDivisionError
            return take(tx, vehicle)

        monkeypatch.setattr(record, "take", broken)
        running.commit_record()
        assert running.trucks[TRUCK].state.tobytes() == alone([entry("pan_drop", 60)])
        with database.read() as conn:
            assert record.pending(conn) == ["NF-01"]
        monkeypatch.undo()
        running.commit_record()  # the same entries are not tried again and again
        with database.read() as conn:
            assert record.pending(conn) == ["NF-01"]
        enter(database, entry("filter", 70, vehicle="NF-01"))
        running.commit_record()
        with database.read() as conn:
            assert record.pending(conn) == []


def test_a_service_after_the_last_sample_ends_the_alarm_and_the_samples_do_not_raise_it_again(
    tmp_path: Path,
) -> None:
    with store(tmp_path) as database:
        running = pipeline(database, now_ms=NOON_MS + 12 * HOUR_MS)
        worn = entry("install", -10, numbers={"life_used": 1.2})
        enter(database, worn)
        running.commit_record()
        running.commit([message(TRUCK, DAY[:100])])
        with database.read() as conn:
            (due,) = [one for one in alarms(conn) if one.kind == "service_due"]
        assert due.active
        enter(database, entry("install", 120, numbers={}))
        running.commit_record()
        running.commit([message(TRUCK, DAY[150:])])
        with database.read() as conn:
            (done,) = [one for one in alarms(conn) if one.kind == "service_due"]
        assert (done.active, done.id) == (False, due.id)
