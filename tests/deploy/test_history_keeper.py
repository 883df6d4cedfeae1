"""Who asks for the move of history, and what is remembered of it; a truck whose history cannot be read."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from alerts.policy import Policy
from deploy.assembly import scheduled
from deploy.companions import companions_of
from deploy.database import Database
from deploy.history_keeper import KEPT, HistoryKeeper, ask, history_keeper, last_move
from deploy.history_move import HistoryMove, Moved, Stopped
from deploy.settings import Settings
from deploy.waiting import until
from ingest import dropped, journal
from ingest.held import NEVER_MS, pack
from models.fleet import Fleet
from review.past import state_at
from review.reading import Reader
from tests.deploy.moved import DAY_MS, JANUARY, RULES, move, sealed_months
from tests.deploy.store import COURSES, FLEET, kept, pipeline, store, undisturbed
from tests.deploy.test_history_move import DAYS, NOW_MS, filled, holds_all, read_all
from tests.recorded import message


def _settings(tmp_path: Path, **archive: Any) -> Settings:
    return Settings.model_validate(
        {"store": {"path": tmp_path / "heatbook.db"}, "archive": archive}
    )


def _keeper(database: Database, settings: Settings) -> HistoryKeeper:
    return history_keeper(settings, Fleet(), database, lambda: NOW_MS)


def test_a_move_that_is_asked_for_is_done_once_and_remembered(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        filled(database)
        keeper = _keeper(database, _settings(tmp_path))
        assert keeper.once() is None
        with database.write() as tx:
            assert ask(tx, 5) == ask(tx, 6) == 1
        assert keeper.once() is not None
        assert keeper.once() is None
        with database.read() as conn:
            last = last_move(conn)
        assert last is not None
        assert (last.asked_ms, last.done_ms, last.months, last.problems) == (5, NOW_MS, 4, ())
        assert holds_all(database)


def test_only_so_many_moves_are_remembered(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        keeper = _keeper(database, _settings(tmp_path))
        for number in range(KEPT + 5):
            with database.write() as tx:
                assert ask(tx, number) == number + 1
            keeper.once()
        with database.read() as conn:
            assert conn.execute("SELECT count(*) FROM history_move").fetchone() == (KEPT,)


def test_what_could_not_be_done_is_remembered_in_words(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        filled(database)
        keeper = _keeper(database, _settings(tmp_path))
        (tmp_path / "archive").write_text("in the way")
        with database.write() as tx:
            ask(tx, 1)
        keeper.once()
        with database.read() as conn:
            last = last_move(conn)
        assert last is not None
        assert len(last.problems) == 2
        assert "cannot write" in last.problems[0]
        assert holds_all(database)


@pytest.fixture
def running(tmp_path: Path) -> Iterator[tuple[Database, HistoryKeeper]]:
    with store(tmp_path) as database:
        filled(database)
        keeper = _keeper(database, _settings(tmp_path))
        keeper.start()
        yield database, keeper
        assert keeper.stop()


def test_the_thread_does_what_the_store_asks(
    running: tuple[Database, HistoryKeeper],
) -> None:
    database, _ = running
    with database.write() as tx:
        ask(tx, 1)

    def done() -> bool:
        with database.read() as conn:
            last = last_move(conn)
        return last is not None and last.done_ms is not None

    assert until(done, 60.0)
    assert sealed_months(database)["NF-01"] == ["2026-01", "2026-02"]


def test_a_move_that_is_stopped_goes_on_the_next_time(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        filled(database)
        keeper = _keeper(database, _settings(tmp_path))
        stopping = threading.Event()
        stopping.set()
        reader = Reader(fleet=FLEET, courses=COURSES, now_ms=lambda: NOW_MS, version="tests")
        with pytest.raises(Stopped):
            HistoryMove(database, reader, RULES, now_ms=lambda: NOW_MS, stopping=stopping).run()
        assert holds_all(database)
        with database.write() as tx:
            ask(tx, 1)
        moved = keeper.once()
        assert isinstance(moved, Moved)
        assert moved.problems == []
        assert holds_all(database)


@pytest.mark.parametrize("on", [True, False])
def test_the_schedule_asks_each_night_unless_it_is_switched_off(
    tmp_path: Path, on: bool
) -> None:
    settings = _settings(tmp_path, move=on, move_at="02:30")
    night_ms = NOW_MS // DAY_MS * DAY_MS
    with store(tmp_path) as database:
        running = pipeline(database)
        made = scheduled(settings, database, running, Policy())
        made.run_due(night_ms)
        made.run_due(night_ms + 2 * 3_600_000)
        with database.read() as conn:
            assert last_move(conn) is None
        made.run_due(night_ms + 3 * 3_600_000)
        with database.read() as conn:
            assert (last_move(conn) is not None) == on


def test_the_daemon_has_a_keeper(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        found = companions_of(_settings(tmp_path), Fleet(), database, Policy(), lambda: NOW_MS)
        assert any(isinstance(each, HistoryKeeper) for each in found)
        with database.read() as conn:
            assert conn.execute("SELECT place FROM archive_place").fetchone() == ("archive",)


def _lost(folder: Path, truck: str) -> tuple[Path, bytes]:
    """Take a truck's oldest month away."""
    file = min((folder / "archive" / "samples" / f"vehicle={truck}").glob("*.parquet"))
    body = file.read_bytes()
    file.unlink()
    return file, body


def test_a_truck_whose_history_is_lost_stands_still_and_stops_nobody(tmp_path: Path) -> None:
    rest, late = DAYS["NF-01"][:-50], DAYS["NF-01"][-50:]
    with store(tmp_path) as database:
        filled(database, {"NF-01": rest, "NF-02": DAYS["NF-02"]})
        move(database, now_ms=NOW_MS)
        file, body = _lost(tmp_path, "NF-01")
        # Another version of the models has to compute all trucks anew.
        running = pipeline(database, now_ms=NOW_MS, model_version="another")
        assert running.trucks["NF-01"].stopped
        assert not running.trucks["NF-02"].stopped
        states = undisturbed(DAYS)[0]
        assert running.trucks["NF-02"].state.tobytes() == states["NF-02"]
        # What comes meanwhile is stored, and counts once the file is back.
        running.commit([message("NF-01", late[:20])])
        running.commit([message("NF-01", late[20:] + late[:3])])
        running.flush()
        assert running.counts.refused == 0
        file.write_bytes(body)
        mended = pipeline(database, now_ms=NOW_MS, model_version="another")
        assert mended.trucks["NF-01"].state.tobytes() == states["NF-01"]
        assert holds_all(database)


def test_late_samples_for_a_month_that_is_lost_are_put_aside_and_nothing_else(
    tmp_path: Path,
) -> None:
    late = DAYS["NF-01"][7]
    rest = [each for each in DAYS["NF-01"] if each is not late]
    with store(tmp_path) as database:
        filled(database, {"NF-01": rest, "NF-02": DAYS["NF-02"]})
        move(database, now_ms=NOW_MS)
        _lost(tmp_path, "NF-01")
        running = pipeline(database, now_ms=NOW_MS)
        running.commit([message("NF-01", [late]), message("NF-02", DAYS["NF-02"][:2])])
        with database.read() as conn:
            reasons = conn.execute("SELECT reason, detail FROM quarantine").fetchall()
        assert [reason for reason, _ in reasons] == ["not_processed"]
        assert ".parquet is missing" in reasons[0][1]
        assert "backup" in reasons[0][1]


DROPPING = replace(RULES, keep_ms=60 * DAY_MS)
"""January is over for long enough to go for good; February is not."""


def test_what_is_too_old_goes_for_good_and_the_account_stays(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        filled(database)
        before = kept(database)
        moved = move(database, now_ms=NOW_MS, rules=DROPPING)
        assert moved.problems == []
        assert moved.dropped == 2
        assert sealed_months(database) == {"NF-01": ["2026-02"], "NF-02": ["2026-02"]}
        assert kept(database) == before
        files = [
            path.name[:7] for path in (tmp_path / "archive" / "samples").rglob("*.parquet")
        ]
        assert sorted(files) == ["2026-02", "2026-02"]
        assert move(database, now_ms=NOW_MS, rules=DROPPING).dropped == 0
        # A second move has nothing left of them, here or set aside.
        assert not list((tmp_path / "archive" / "superseded").rglob("*.parquet"))


def test_a_truck_is_run_again_from_what_the_dropped_history_left(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        filled(database)
        states = undisturbed(DAYS)[0]
        move(database, now_ms=NOW_MS, rules=DROPPING)
        running = pipeline(database, now_ms=NOW_MS, model_version="another")
        found = {name: held.state.tobytes() for name, held in running.trucks.items()}
        assert found == states


def test_samples_older_than_what_is_kept_change_nothing(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        filled(database)
        move(database, now_ms=NOW_MS, rules=DROPPING)
        running = pipeline(database, now_ms=NOW_MS)
        before = running.trucks["NF-01"].state.tobytes()
        old = {**DAYS["NF-01"][3], "time_ms": DAYS["NF-01"][3]["time_ms"] + 5_000}
        running.commit([message("NF-01", [old])])
        assert running.trucks["NF-01"].state.tobytes() == before
        # Late ones of the time that is kept still count, from there on.
        last_ms = int(DAYS["NF-01"][-1]["time_ms"])
        late = {**DAYS["NF-01"][-1], "time_ms": float(last_ms - 30_000), "fluid_temp_c": 131.0}
        running.commit([message("NF-01", [late])])
        everything = {"NF-01": [*DAYS["NF-01"], late]}
        assert running.trucks["NF-01"].state.tobytes() == undisturbed(everything)[0]["NF-01"]
        # The next move lets go of the old one too.
        running.flush()
        move(database, now_ms=NOW_MS, rules=DROPPING)
        assert sealed_months(database)["NF-01"] == ["2026-02"]
        assert int(old["time_ms"]) not in read_all(database, "NF-01")["time_ms"].tolist()


def test_a_look_back_within_what_is_kept_is_as_it_was(tmp_path: Path) -> None:
    at_ms = int(DAYS["NF-01"][-150]["time_ms"])
    with store(tmp_path) as database:
        filled(database)
        running = pipeline(database, now_ms=NOW_MS)
        with database.read() as conn:
            before = state_at(conn, running.trucks["NF-01"], at_ms)
        move(database, now_ms=NOW_MS, rules=DROPPING)
        with database.read() as conn:
            after = state_at(conn, running.trucks["NF-01"], at_ms)
        assert after.tobytes() == before.tobytes()


def test_the_newest_month_of_a_truck_that_is_long_silent_stays(tmp_path: Path) -> None:
    day = DAYS["NF-01"][:100]
    with store(tmp_path) as database:
        filled(database, {"NF-01": day})
        move(database, now_ms=NOW_MS + 1000 * DAY_MS, rules=DROPPING)
        with database.read() as conn:
            assert journal.newest_ms(conn, vehicle_id=1) == day[-1]["time_ms"]
        assert holds_all(database, {"NF-01": day})


def test_a_clock_that_runs_years_ahead_drops_nothing(tmp_path: Path) -> None:
    """Age is counted back from what was heard last, where the clock says later than that."""
    with store(tmp_path) as database:
        filled(database)
        move(database, now_ms=NOW_MS + 4000 * DAY_MS, rules=DROPPING)
        for months in sealed_months(database).values():
            assert "2026-02" in months
        # The second sweeps what the first has put aside.
        move(database, now_ms=NOW_MS + 4001 * DAY_MS, rules=DROPPING)
        last_ms = DAYS["NF-02"][-1]["time_ms"]
        february = [each for each in DAYS["NF-02"] if each["time_ms"] >= JANUARY.end_ms]
        found = read_all(database, "NF-02")["time_ms"].tolist()
        assert found == [each["time_ms"] for each in february]
        assert found[-1] == last_ms


def test_an_account_of_another_layout_is_carried_over_by_its_fields(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        filled(database)
        move(database, now_ms=NOW_MS, rules=DROPPING)
        running = pipeline(database, now_ms=NOW_MS)
        truck = running.trucks["NF-01"]
        with database.read() as conn:
            exact = dropped.beginning(conn, truck)
        # As a state of before would have been laid out: a detector less.
        names = list(exact.state.dtype.names or ())[:-1]
        older = exact.state[names]
        packed = older.astype([(name, exact.state.dtype[name]) for name in names], copy=True)
        with database.write() as tx:
            tx.execute(
                "UPDATE dropped SET layout = ?, state = ? WHERE vehicle_id = ?",
                (repr(packed.dtype.descr), pack(packed), truck.vehicle_id),
            )
        with database.read() as conn:
            found = dropped.beginning(conn, truck)
        assert found.last_ms == exact.last_ms > NEVER_MS
        assert (
            found.state["truck"]["account"].tobytes()
            == exact.state["truck"]["account"].tobytes()
        )
