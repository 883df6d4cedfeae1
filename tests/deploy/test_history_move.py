"""The move of history changes where samples lie, and nothing else, whenever it is cut short."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

import pytest

from deploy.database import Database
from ingest import journal, sealing
from ingest.fold import rerun
from ingest.held import NEVER_MS, load, on
from ingest.parquet_archive import ParquetArchive
from tests.deploy.moved import DAY_MS, JANUARY, RULES, hot_rows, loose_ends, move, sealed_months
from tests.deploy.store import COURSES, dump, kept, pipeline, store, undisturbed
from tests.recorded import MINUTE_MS, climb, merged, message, same_bytes

NOW_MS = JANUARY.next.end_ms + 45 * DAY_MS


def life(start_ms: int = JANUARY.end_ms - 2 * DAY_MS) -> list[dict[str, float]]:
    """Some days of pulls about the end of a month, and some long after."""
    day: list[dict[str, float]] = []
    for number in (0, 1, 2, 3, 40, 41, 70):
        day += climb(
            100,
            start_ms=start_ms + number * DAY_MS + 7 * 3_600_000 + 137,
            period_ms=MINUTE_MS,
            start_c=80.0,
            slope_k_min=0.6,
            odometer_km=50_000.0 + 100 * number,
        )
    # A drive through midnight: the end of the month lies between two samples.
    day += climb(30, start_ms=JANUARY.end_ms - 15 * MINUTE_MS + 10_000, start_c=85.0)
    return sorted(day, key=lambda each: each["time_ms"])


DAYS = {"NF-01": life(), "NF-02": life(JANUARY.first_ms)}


def filled(database: Database, days: dict[str, list[dict[str, float]]] = DAYS) -> None:
    running = pipeline(database, now_ms=NOW_MS)
    for name, day in days.items():
        for start in range(0, len(day), 17):
            running.commit([message(name, day[start : start + 17])])
    running.flush()


def read_all(database: Database, name: str) -> Any:
    with database.read() as conn:
        (vehicle_id,) = conn.execute(
            "SELECT id FROM vehicle WHERE name = ?", (name,)
        ).fetchone()
        return journal.read(conn, vehicle_id=vehicle_id, first_ms=0, last_ms=2**62)


def holds_all(database: Database, days: dict[str, list[dict[str, float]]] = DAYS) -> bool:
    return all(
        same_bytes(read_all(database, name), merged(day)[0]) for name, day in days.items()
    )


def run_again(database: Database, name: str) -> bytes:
    """Run a truck again over all of its history, as after a change of the models."""
    with database.write() as tx:
        held = load(tx, name, COURSES(name, ()), "another version")
        assert held is not None
        assert held.last_ms == NEVER_MS
        return rerun(tx, on(held, held.course, "another version")).held.state.tobytes()


def test_a_move_seals_what_is_over_and_leaves_the_rest(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        filled(database)
        before, expected = kept(database), undisturbed(DAYS)
        moved = move(database, now_ms=NOW_MS)
        assert moved.problems == []
        assert sealed_months(database) == {
            "NF-01": ["2026-01", "2026-02"],
            "NF-02": ["2026-01", "2026-02"],
        }
        assert moved.months == 4
        with database.read() as conn:
            (first_ms,) = conn.execute("SELECT min(first_ms) FROM journal").fetchone()
        assert first_ms >= JANUARY.next.end_ms
        assert holds_all(database)
        assert kept(database) == before == expected
        assert loose_ends(database) == set()


def test_a_rerun_over_moved_history_gives_the_same_bytes(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        filled(database)
        move(database, now_ms=NOW_MS)
        states = undisturbed(DAYS)[0]
        for name in DAYS:
            assert run_again(database, name) == states[name]


def test_a_new_version_of_the_models_rebuilds_trucks_from_the_archive(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        filled(database)
        move(database, now_ms=NOW_MS)
        running = pipeline(database, now_ms=NOW_MS, model_version="another")
        found = {name: held.state.tobytes() for name, held in running.trucks.items()}
        assert found == undisturbed(DAYS)[0]


def test_a_second_move_finds_nothing_to_do(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        filled(database)
        move(database, now_ms=NOW_MS)
        before = dump(database)
        files = sorted((tmp_path / "archive").rglob("*"))
        assert move(database, now_ms=NOW_MS).months == 0
        assert dump(database) == before
        assert sorted((tmp_path / "archive").rglob("*")) == files


@pytest.mark.parametrize("seed", range(4))
def test_late_samples_of_sealed_months_count_and_join_their_month(
    tmp_path: Path, seed: int
) -> None:
    rng = Random(seed)
    late = rng.sample(DAYS["NF-01"], k=60)
    rest = [each for each in DAYS["NF-01"] if each not in late]
    again = [{**each, "fluid_temp_c": each["fluid_temp_c"] - 1.0} for each in rest[:5]]
    with store(tmp_path) as database:
        filled(database, {"NF-01": rest})
        move(database, now_ms=NOW_MS)
        running = pipeline(database, now_ms=NOW_MS)
        running.commit([message("NF-01", late + again)])
        running.flush()
        everything = {"NF-01": [*DAYS["NF-01"], *again]}
        assert kept(database) == undisturbed(everything)
        moved = move(database, now_ms=NOW_MS)
        assert moved.problems == []
        assert moved.months > 0
        assert holds_all(database, everything)
        assert kept(database) == undisturbed(everything)
        assert run_again(database, "NF-01") == undisturbed(everything)[0]["NF-01"]
        assert loose_ends(database) == set()


class Killed(BaseException):
    """The process ends here; nothing of ours catches it."""


@contextmanager
def killing(
    at: int, monkeypatch: pytest.MonkeyPatch, database: Database
) -> Iterator[list[str]]:
    """End the process before the k-th thing that a move does to disk or store."""
    steps: list[str] = []

    def before(what: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def step(*args: Any, **kwargs: Any) -> Any:
            if len(steps) == at:
                raise Killed
            steps.append(what)
            return real(*args, **kwargs)

        return step

    with monkeypatch.context() as patch:
        for owner, name in (
            (os, "fsync"),
            (Path, "rename"),
            (Path, "unlink"),
            (Path, "mkdir"),
            (ParquetArchive, "reread"),
        ):
            patch.setattr(owner, name, before(name, getattr(owner, name)))
        writer = Counting(database._writer, before)
        patch.setattr(database, "_writer", writer)
        yield steps


class Counting:
    """A connection before each of whose statements the process may end."""

    def __init__(self, conn: Any, before: Callable[..., Any]) -> None:
        self._conn = conn
        self.execute = before("statement", conn.execute)
        self.executemany = before("statement", conn.executemany)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._conn, name)


def test_a_move_that_dies_anywhere_loses_and_doubles_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sealing, "SLICE_ROWS", 8)
    days = {"NF-01": DAYS["NF-01"][:250]}
    late = days["NF-01"][20:40:7]
    first = [each for each in days["NF-01"] if each not in late]
    seen: set[str] = set()
    at = 0
    while True:
        folder = tmp_path / str(at)
        database = Database(folder / "heatbook.db", synchronous="off")
        filled(database, {"NF-01": first})
        move(database, now_ms=NOW_MS)
        # What comes late makes the move swap a generation as well.
        running = pipeline(database, now_ms=NOW_MS)
        running.commit([message("NF-01", late)])
        running.flush()
        died = False
        with killing(at, monkeypatch, database) as steps:
            try:
                move(database, now_ms=NOW_MS)
            except Killed:
                died = True
        seen |= set(steps)
        if died:  # a dead process writes no more: what it left open is rolled back
            if database._writer.in_transaction:
                database._writer.execute("ROLLBACK")
            assert holds_all(database, days)
            assert move(database, now_ms=NOW_MS).problems == []
        assert holds_all(database, days)
        assert kept(database) == undisturbed(days)
        assert loose_ends(database) == set()
        left = sorted(path.name for path in folder.rglob("*.unfinished"))
        assert left == []
        database.close()
        if not died:
            break
        at += 1
    assert at > 30
    assert seen == {"fsync", "rename", "statement", "reread", "mkdir", "unlink"}


def test_a_move_cut_short_is_finished_though_the_clock_was_set_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    days = {"NF-01": DAYS["NF-01"][:250]}
    right_ms = JANUARY.end_ms - DAY_MS // 2
    seen = [each for each in days["NF-01"] if each["time_ms"] < right_ms]
    later = [each for each in days["NF-01"] if each["time_ms"] >= right_ms]
    with store(tmp_path) as database:
        filled(database, {"NF-01": seen})
        with monkeypatch.context() as patch:
            patch.setattr(sealing, "clear", dying)
            with pytest.raises(Killed):
                move(database, now_ms=NOW_MS)  # by a clock that is ahead
        assert sealed_months(database)["NF-01"] == ["2026-01"]
        filled(database, {"NF-01": later})
        with database.read() as conn:
            left = sealing.left_over(conn, vehicle_id=1, month=JANUARY)
        assert 0 < len(left) < hot_rows(database)
        assert move(database, now_ms=right_ms).problems == []
        with database.read() as conn:
            hot = journal.hot(conn, vehicle_id=1, first_ms=0, last_ms=2**62)
        assert same_bytes(hot, merged(later)[0])
        assert holds_all(database, days)
        assert kept(database) == undisturbed(days)


def dying(*_args: Any, **_kwargs: Any) -> None:
    raise Killed


def test_one_truck_that_cannot_be_moved_does_not_stop_the_others(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        filled(database)
        (tmp_path / "archive" / "samples").mkdir(parents=True)
        (tmp_path / "archive" / "samples" / "vehicle=NF-01").write_text("in the way")
        moved = move(database, now_ms=NOW_MS)
        assert sealed_months(database) == {"NF-01": [], "NF-02": ["2026-01", "2026-02"]}
        assert len(moved.problems) == 1
        assert "vehicle=NF-01" in moved.problems[0]
        assert holds_all(database)
        (tmp_path / "archive" / "samples" / "vehicle=NF-01").unlink()
        assert move(database, now_ms=NOW_MS).problems == []
        assert sealed_months(database)["NF-01"] == ["2026-01", "2026-02"]


def test_another_longest_gap_sums_the_sealed_months_up_anew(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        filled(database)
        move(database, now_ms=NOW_MS)
        rules = replace(RULES, max_gap_ms=30_000)
        assert move(database, now_ms=NOW_MS, rules=rules).months == 4
        with database.read() as conn:
            gaps = conn.execute("SELECT DISTINCT max_gap_ms FROM sealed").fetchall()
        assert gaps == [(30_000,)]
        assert holds_all(database)
        assert loose_ends(database) == set()


def test_samples_that_come_during_the_move_stay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    late = DAYS["NF-01"][5]
    rest = [each for each in DAYS["NF-01"] if each is not late]
    with store(tmp_path) as database:
        filled(database, {"NF-01": rest})
        running = pipeline(database, now_ms=NOW_MS)
        real = sealing.keep

        def keep(*args: Any) -> None:
            real(*args)
            running.commit([message("NF-01", [late])])

        monkeypatch.setattr(sealing, "keep", keep)
        move(database, now_ms=NOW_MS)
        assert holds_all(database, {"NF-01": DAYS["NF-01"]})
        assert hot_rows(database) > 0
        monkeypatch.undo()
        move(database, now_ms=NOW_MS)
        running.flush()
        assert holds_all(database, {"NF-01": DAYS["NF-01"]})
        assert kept(database) == undisturbed({"NF-01": DAYS["NF-01"]})
