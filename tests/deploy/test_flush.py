"""States are written now and then; what is on disk is whole at any time."""

from __future__ import annotations

from pathlib import Path

import pytest

from deploy.database import Database
from ingest.held import unpack
from tests.deploy.store import kept, pipeline, store, undisturbed
from tests.recorded import climb, message

DAY = climb(300, slope_k_min=0.3)


def _written(database: Database) -> bytes:
    with database.read() as conn:
        (body,) = conn.execute("SELECT state FROM vehicle_state").fetchone()
    return unpack(body).tobytes()


@pytest.mark.parametrize("flushed_after", [0, 2, 5, 6])
def test_a_process_that_dies_between_two_flushes_loses_nothing(
    tmp_path: Path, flushed_after: int
) -> None:
    with store(tmp_path) as database:
        running = pipeline(database)
        for number, start in enumerate(range(0, len(DAY), 50)):
            running.commit([message("NF-01", DAY[start : start + 50])])
            if number == flushed_after:
                running.flush()
        # As if killed here: a new process finds a state of some time ago, and the journal.
        again = pipeline(database)
        assert again.trucks["NF-01"].state.tobytes() == running.trucks["NF-01"].state.tobytes()
        assert again.trucks["NF-01"].last_ms == running.trucks["NF-01"].last_ms
        assert kept(database) == undisturbed({"NF-01": DAY})


def test_appending_commits_leave_the_state_on_file_alone_until_a_flush(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        running = pipeline(database)
        running.commit([message("NF-01", DAY[:50])])
        first = _written(database)
        running.commit([message("NF-01", DAY[50:100])])
        assert _written(database) == first
        running.flush()
        assert _written(database) == running.trucks["NF-01"].state.tobytes() != first


def test_a_late_sample_writes_the_state_at_once(tmp_path: Path) -> None:
    # The state on file would not lead to it by the journal any more.
    with store(tmp_path) as database:
        running = pipeline(database)
        running.commit([message("NF-01", DAY[:50])])
        running.commit([message("NF-01", DAY[100:])])
        running.commit([message("NF-01", DAY[50:100])])
        assert _written(database) == running.trucks["NF-01"].state.tobytes()


def test_what_a_start_had_to_catch_up_with_is_written_so_that_the_next_has_not(
    tmp_path: Path,
) -> None:
    with store(tmp_path) as database:
        running = pipeline(database)
        running.commit([message("NF-01", DAY[:50])])
        running.commit([message("NF-01", DAY[50:])])
        again = pipeline(database)  # as if killed in between
        again.flush()
        assert _written(database) == running.trucks["NF-01"].state.tobytes()


def test_no_more_states_are_written_at_once_than_asked_and_the_longest_waiting_first(
    tmp_path: Path,
) -> None:
    names = ["NF-01", "NF-02", "NF-03"]
    with store(tmp_path) as database:
        running = pipeline(database)
        for part in (DAY[:50], DAY[50:100]):
            for name in names:
                running.commit([message(name, part)])
        waiting = []
        for _ in names:
            running.flush(1)
            waiting.append([name for name in names if running.trucks[name].unsaved])
        assert waiting == [["NF-02", "NF-03"], ["NF-03"], []]
