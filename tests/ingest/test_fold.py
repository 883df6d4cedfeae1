"""Folding samples into a truck: new, repeated, late, conflicting."""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from ingest import fold as folding
from ingest import journal
from ingest.fold import Folded, fold, rerun
from ingest.held import NEVER_MS, Held, load, save, unpack
from models.course import NO_ENTRIES, Course, run
from models.kernel import STATE
from models.layout import blank
from tests.ingest.folded import RECEIVED_MS, memory, newcomer
from tests.recorded import HOUR_MS, MINUTE_MS, NOON_MS, Sample, climb, merged, records

DAY = climb(600, slope_k_min=0.1)
DAY_MS = 24 * HOUR_MS


def alone(held: Held, samples: Sequence[Sample]) -> NDArray[Any]:
    """Run the kernel over all samples at once: what any folding must come to."""
    state = blank(STATE)
    run(held.course, state, merged(samples)[0])
    return state


def put(tx: sqlite3.Connection, held: Held, samples: Sequence[Sample]) -> Folded:
    return fold(tx, held, records(samples), received_ms=RECEIVED_MS)


def checkpoints(tx: sqlite3.Connection) -> list[int]:
    return [row[0] for row in tx.execute("SELECT time_ms FROM checkpoint ORDER BY time_ms")]


def test_new_samples_are_appended_and_counted() -> None:
    tx = memory()
    first = put(tx, newcomer(tx), DAY[:100])
    then = put(tx, first.held, DAY[100:])
    assert (then.stored, then.repeated, then.late, then.appending) == (500, 0, 0, True)
    assert then.after_ms == first.held.last_ms == DAY[99]["time_ms"]
    assert then.held.state.tobytes() == alone(first.held, DAY).tobytes()


def test_a_fold_leaves_the_truck_it_began_with_alone() -> None:
    tx = memory()
    first = put(tx, newcomer(tx), DAY[:100]).held
    before = first.state.tobytes()
    put(tx, first, DAY[100:])
    assert first.state.tobytes() == before


def test_repeated_samples_are_neither_stored_nor_run() -> None:
    tx = memory()
    held = put(tx, newcomer(tx), DAY).held
    again = put(tx, held, DAY[::-1])
    assert again.held is held
    assert (again.stored, again.repeated, again.late) == (0, 600, 0)
    assert tx.execute("SELECT count(*) FROM journal").fetchone() == (1,)


def test_late_samples_rewind_to_the_checkpoint_before_them() -> None:
    tx = memory()
    held = newcomer(tx)
    late = [DAY[200], DAY[310]]
    for start in range(0, 600, 20):
        batch = [one for one in DAY[start : start + 20] if one not in late]
        held = put(tx, held, batch).held
    before = checkpoints(tx)
    assert len(before) >= 8
    back = put(tx, held, late)
    assert (back.stored, back.late, back.appending) == (2, 2, False)
    assert back.after_ms == max(point for point in before if point < DAY[200]["time_ms"])
    assert DAY[200]["time_ms"] - back.after_ms <= 2 * HOUR_MS
    assert back.held.state.tobytes() == alone(held, DAY).tobytes()


def test_late_and_new_samples_in_one_fold() -> None:
    tx = memory()
    held = put(tx, newcomer(tx), DAY[100:300]).held
    both = put(tx, held, [*DAY[300:], *DAY[:100]])
    assert (both.stored, both.late) == (400, 100)
    assert both.after_ms == NEVER_MS
    assert both.held.state.tobytes() == alone(held, DAY).tobytes()


def test_a_greater_value_for_a_known_sample_runs_again_and_the_lesser_is_named() -> None:
    tx = memory()
    held = put(tx, newcomer(tx), DAY).held
    hotter = {**DAY[50], "fluid_temp_c": 119.0}
    back = put(tx, held, [hotter])
    assert (back.stored, back.late) == (1, 1)
    (conflict,) = back.conflicts
    assert conflict.time_ms == DAY[50]["time_ms"]
    assert (conflict.signal, conflict.value) == ("fluid_temp_c", DAY[50]["fluid_temp_c"])
    assert back.held.state.tobytes() == alone(held, [*DAY, hotter]).tobytes()


def test_a_lesser_value_for_a_known_sample_is_named_and_changes_nothing() -> None:
    tx = memory()
    held = put(tx, newcomer(tx), DAY).held
    back = put(tx, held, [{**DAY[50], "fluid_temp_c": 19.0}])
    assert back.held is held
    assert [one.value for one in back.conflicts] == [19.0]


def test_a_signal_that_was_absent_is_filled_in() -> None:
    tx = memory()
    held = put(tx, newcomer(tx), DAY).held
    more = {"time_ms": DAY[50]["time_ms"], "coolant_temp_c": 88.0}
    back = put(tx, held, [more])
    assert (back.stored, back.conflicts) == (1, ())
    assert back.held.state.tobytes() == alone(held, [*DAY, more]).tobytes()


def test_checkpoints_after_a_rewind_are_those_of_the_new_run() -> None:
    tx = memory()
    held = newcomer(tx)
    for start in range(100, 600, 10):
        held = put(tx, held, DAY[start : start + 10]).held
    put(tx, held, DAY[:100])
    for time_ms, body in tx.execute("SELECT time_ms, state FROM checkpoint").fetchall():
        until = [one for one in DAY if one["time_ms"] <= time_ms]
        assert unpack(body).tobytes() == alone(held, until).tobytes()


def test_old_checkpoints_are_thinned_to_one_a_day(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(folding, "_CHUNK", 1)
    days = 7
    tx = memory()
    samples = climb(days * 1440, period_ms=20 * MINUTE_MS, start_c=60.0, slope_k_min=0.0)
    put(tx, newcomer(tx), samples)
    points = np.array(checkpoints(tx))
    old = points[points < samples[-1]["time_ms"] - folding.KEEP_ALL_MS - 86_400_000]
    per_day = np.unique(old // 86_400_000, return_counts=True)[1]
    assert len(per_day) >= 4
    assert (per_day == 1).all()
    assert len(points) < 24 * 4


def test_running_again_from_nothing_gives_the_same() -> None:
    tx = memory()
    held = newcomer(tx)
    events: list[NDArray[Any]] = []
    for start in range(0, 600, 50):
        folded = put(tx, held, DAY[start : start + 50])
        held = folded.held
        events += folded.events
    again = rerun(tx, held)
    assert again.held.state.tobytes() == held.state.tobytes()
    assert np.concatenate(again.events).tobytes() == np.concatenate(events).tobytes()
    assert (again.after_ms, again.appending, again.stored) == (NEVER_MS, False, 0)


def test_a_saved_truck_is_loaded_as_it_was_and_not_on_another_basis() -> None:
    tx = memory()
    held = put(tx, newcomer(tx), DAY).held
    save(tx, held)
    found = load(tx, "NF-01", held.course, "tests")
    assert found is not None
    assert found.state.tobytes() == held.state.tobytes()
    assert (found.last_ms, found.checkpoint_ms) == (held.last_ms, held.checkpoint_ms)
    other = load(tx, "NF-01", held.course, "another version")
    assert other is not None
    assert other.last_ms == NEVER_MS
    changed = held.course.params.copy()
    changed["account"]["ageing"]["reference_c"] = 80.0
    moved = load(tx, "NF-01", Course(changed, NO_ENTRIES), "tests")
    assert moved is not None
    assert moved.last_ms == NEVER_MS
    assert load(tx, "NF-99", held.course, "tests") is None


def test_late_samples_far_apart_do_not_read_what_lies_between(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    tx = memory()
    days = [sample for day in range(3) for sample in climb(60, start_ms=NOON_MS + day * DAY_MS)]
    left_out = [days[10], days[-10]]
    held = put(tx, newcomer(tx), [each for each in days if each not in left_out]).held
    read: list[int] = []
    stored = journal.read

    def counted(*args: Any, **kwargs: Any) -> NDArray[Any]:
        found: NDArray[Any] = stored(*args, **kwargs)
        read.append(len(found))
        return found

    monkeypatch.setattr(journal, "read", counted)
    late = put(tx, held, left_out)
    assert late.stored == late.late == 2
    assert max(read) <= 60
    assert late.held.state.tobytes() == alone(held, days).tobytes()


def test_a_state_that_the_disk_has_damaged_is_computed_anew() -> None:
    tx = memory()
    held = save(tx, put(tx, newcomer(tx), DAY).held)
    for damaged in (b"\x01\x02", b"", zlib.compress(b"short")):
        tx.execute("UPDATE vehicle_state SET state = ?", (damaged,))
        loaded = load(tx, held.name, held.course, "tests")
        assert loaded is not None
        assert (loaded.last_ms, loaded.on_file) == (NEVER_MS, False)
        assert rerun(tx, loaded).held.state.tobytes() == held.state.tobytes()
