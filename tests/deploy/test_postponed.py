"""Late samples of months in an archive that is away: they wait, and count as if it had been there."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random
from typing import Any

import pytest

from alerts.own.facts import OURSELVES
from deploy.archive_look import ArchiveLook
from deploy.backup.snapshot import snapshot
from deploy.database import Database
from deploy.influx_access import archive_in
from deploy.pipeline import Pipeline
from deploy.postponing import message_of
from deploy.waiting import until
from ingest import erasing, postponed, quarantine, sealed
from ingest.decoded import WireRules
from ingest.influx_recent import Recent
from ingest.sealed import INFLUX
from ingest.wire import decode
from tests.deploy.fed import section
from tests.deploy.moved import DAY_MS, JANUARY, RULES, move, sealed_months
from tests.deploy.store import dump, kept, pipeline, store, undisturbed
from tests.deploy.test_daemon import Running
from tests.deploy.test_history_move import NOW_MS, life
from tests.deploy.test_pipeline_failing import Failing, _with_writer
from tests.influx_stub import Answer, Stub, problem, stub
from tests.recorded import Sample, climb, message, records, same_bytes

DAY: list[Sample] = [*life()]
HOT_MS = JANUARY.next.end_ms
"""What is older lies in the archive."""

SEALED = [each for each in DAY if each["time_ms"] < HOT_MS]
LATE = [*SEALED[20:60:3], *SEALED[-40::7]]
FIRST = [each for each in DAY if each not in LATE][:-10]
NEWEST = DAY[-10:]
OTHER: list[Sample] = [*climb(50, start_ms=NOW_MS - DAY_MS)]

AWAY: dict[str, Answer | str] = {
    "overloaded": problem(503, "overloaded"),
    "unauthorized": problem(401, "unauthorized access"),
    "cut": "cut",
}


@contextmanager
def influx(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Database, Stub]]:
    """Give a store whose archive is in a server, and the server."""
    with stub() as far, store(folder) as database:
        archive = archive_in(section(far.url))
        monkeypatch.setitem(sealed._OPENERS, INFLUX, lambda _: archive)
        yield database, far


def archived(database: Database, samples: list[Sample], *, kind: str = INFLUX) -> None:
    """Commit samples of a truck, and seal the months that are over."""
    running = pipeline(database, now_ms=NOW_MS)
    for start in range(0, len(samples), 50):
        running.commit([message("NF-01", samples[start : start + 50])])
    running.flush()
    assert move(database, now_ms=NOW_MS, kind=kind).problems == []
    assert sealed_months(database)["NF-01"] == ["2026-01", "2026-02"]


def waiting(database: Database) -> postponed.Waiting:
    with database.read() as conn:
        return postponed.waiting(conn)


def refused(database: Database) -> list[quarantine.Entry]:
    with database.read() as conn:
        return quarantine.listing(conn)


def looked(database: Database, running: Pipeline) -> list[str]:
    """Look whether the archive is back, and take up what can be; name the trucks."""
    ArchiveLook(database, running.postponing.readable).once()
    return [each.vehicle for each in running.commit_postponed()]


def balanced(running: Pipeline) -> bool:
    counts = running.counts
    return counts.received == counts.stored + counts.repeated + counts.refused


@pytest.mark.parametrize("away", AWAY)
def test_they_wait_while_the_server_is_away_and_count_once_it_is_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, away: str
) -> None:
    with influx(tmp_path, monkeypatch) as (database, far):
        archived(database, FIRST)
        running = pipeline(database, now_ms=NOW_MS)
        far.always = AWAY[away]
        batch = [message("NF-01", [*LATE, *NEWEST]), message("NF-02", OTHER)]
        positions = {each.vehicle: each.time_ms for each in running.commit(batch)}
        assert positions == {"NF-01": DAY[-1]["time_ms"], "NF-02": OTHER[-1]["time_ms"]}
        assert refused(database) == []
        found = waiting(database)
        assert (found.samples, found.trucks, found.since_ms) == (len(LATE), 1, NOW_MS)
        running.flush()
        assert kept(database) == undisturbed({"NF-01": [*FIRST, *NEWEST], "NF-02": OTHER})
        assert balanced(running)

        running = pipeline(database, now_ms=NOW_MS)  # another process goes on with it
        before = dump(database)
        assert looked(database, running) == []
        assert dump(database) == before

        far.always = None
        assert looked(database, running) == ["NF-01"]
        assert waiting(database).since_ms is None
        assert refused(database) == []
        assert kept(database) == undisturbed({"NF-01": DAY, "NF-02": OTHER})
        assert balanced(running)
        assert running.counts.late == len(LATE)
        before = dump(database)
        assert looked(database, running) == []
        assert dump(database) == before


def test_parquet_files_on_a_share_that_is_away_are_waited_for(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        archived(database, FIRST, kind="parquet")
        running = pipeline(database, now_ms=NOW_MS)
        folder = tmp_path / "archive"
        folder.rename(tmp_path / "elsewhere")
        running.commit([message("NF-01", [*LATE, *NEWEST])])
        assert looked(database, running) == []
        assert (waiting(database).samples, refused(database)) == (len(LATE), [])
        (tmp_path / "elsewhere").rename(folder)
        assert looked(database, running) == ["NF-01"]
        assert kept(database) == undisturbed({"NF-01": DAY})


def test_a_month_whose_file_alone_is_missing_is_for_the_quarantine(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        archived(database, FIRST, kind="parquet")
        running = pipeline(database, now_ms=NOW_MS)
        (january,) = (tmp_path / "archive" / "samples").rglob("2026-01*")
        january.unlink()
        running.commit([message("NF-01", LATE)])
        (entry,) = refused(database)
        assert (entry.reason, waiting(database).samples) == ("not_processed", 0)


@pytest.mark.parametrize("seed", range(4))
def test_nothing_depends_on_when_the_server_is_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    rng = Random(f"{seed}/away")
    again = [{**each, "fluid_temp_c": each["fluid_temp_c"] - 1.0} for each in LATE[:4]]
    sent = [*LATE, *NEWEST, *again, *rng.sample(FIRST, 6)]
    rng.shuffle(sent)
    parts = [sent[start : start + 4] for start in range(0, len(sent), 4)]
    with influx(tmp_path, monkeypatch) as (database, far):
        archived(database, FIRST)
        running = pipeline(database, now_ms=NOW_MS)
        put_off = 0
        # What was read is not remembered: else days that were read before are as good as there.
        monkeypatch.setattr("ingest.influx_archive._DAYS", Recent(0))
        for part in parts:
            far.always = rng.choice([None, *AWAY.values()])
            running.commit([message("NF-01", part)] * rng.choice([1, 1, 2]))
            put_off = max(put_off, waiting(database).samples)
            if rng.random() < 0.3:
                looked(database, running)
            if rng.random() < 0.2:
                running = pipeline(database, now_ms=NOW_MS)
            assert balanced(running)
        far.always = None
        looked(database, running)
        running.flush()
        assert put_off > 0
        assert waiting(database).samples == 0
        assert kept(database) == undisturbed({"NF-01": [*DAY, *again]})


def test_who_waits_does_not_ask_the_server_again_in_a_commit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with influx(tmp_path, monkeypatch) as (database, far):
        archived(database, FIRST)
        running = pipeline(database, now_ms=NOW_MS)
        far.always = AWAY["overloaded"]
        running.commit([message("NF-01", LATE[:1])])
        asked = far.asked
        for each in LATE[1:]:
            running.commit([message("NF-01", [each])])
        running.commit([message("NF-01", LATE)])
        running.commit([message("NF-01", LATE)])
        assert far.asked == asked
        assert waiting(database).samples == 2 * len(LATE)  # the same message again is known


def test_taking_them_up_fails_whole_or_is_done(tmp_path: Path) -> None:
    first, late, folder = [*SEALED[:40], *SEALED[-40:-5]], SEALED[-5:-3], tmp_path / "archive"
    first += SEALED[-3:]
    with store(tmp_path) as database:
        archived(database, first, kind="parquet")
        running = pipeline(database, now_ms=NOW_MS)
        folder.rename(tmp_path / "elsewhere")
        running.commit([message("NF-01", late)])
        running.flush()
        (tmp_path / "elsewhere").rename(folder)
        before, counts, state = dump(database), running.counts, running.trucks["NF-01"].state
        failures = 0
        while True:
            failing = Failing(database._writer, failures)
            restore = _with_writer(database, failing)
            try:
                looked(database, running)
            except sqlite3.OperationalError:
                failures += 1
            else:
                break
            finally:
                restore()
            assert dump(database) == before
            assert running.counts == counts
            assert running.trucks["NF-01"].state.tobytes() == state.tobytes()
        assert failures == failing.statements > 20
        assert kept(database) == undisturbed({"NF-01": [*first, *late]})


def test_a_month_that_comes_back_damaged_sends_what_needs_it_to_the_quarantine(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with influx(tmp_path, monkeypatch) as (database, far):
        archived(database, FIRST)
        running = pipeline(database, now_ms=NOW_MS)
        far.always = AWAY["cut"]
        running.commit([message("NF-01", LATE)])
        # The last day of February that is kept has lost a sample.
        key = max(
            (
                each
                for each in far.points
                if "month=2026-02" in each[1] and "samples," in each[1]
            ),
            key=lambda each: each[2],
        )
        lost = far.points.pop(key)
        far.always = None
        assert looked(database, running) == ["NF-01"]
        assert waiting(database).samples == 0
        entries = refused(database)
        assert {each.reason for each in entries} == {"not_processed"}
        assert "damaged" in entries[0].detail
        assert balanced(running)
        # Put back, all goes in as it was.
        far.points[key] = lost
        with database.write() as tx:
            for each in entries:
                taken = quarantine.take(tx, each.id)
                assert taken is not None
                tx.execute(
                    "INSERT INTO inbox (topic, payload) VALUES (?, ?)", (taken.topic, taken.raw)
                )
        while running.commit_inbox():
            pass
        running.flush()
        assert kept(database) == undisturbed({"NF-01": [*FIRST, *LATE]})


def test_what_is_put_aside_reads_back_as_the_same_samples() -> None:
    made = message_of("NF-01", records(LATE))
    one = decode(made.topic, made.payload, now_ms=NOW_MS, rules=WireRules())
    assert one.refused == ()
    assert same_bytes(one.samples, records(LATE))


def _erased(tx: Any) -> None:
    erasing.erase(tx, "NF-01")


@pytest.mark.parametrize(("change", "left"), [(_erased, 0), (lambda _: None, len(LATE))])
def test_they_are_in_a_backup_and_go_with_their_truck(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: Callable[[Any], None], left: int
) -> None:
    with influx(tmp_path, monkeypatch) as (database, far):
        archived(database, FIRST)
        running = pipeline(database, now_ms=NOW_MS)
        far.always = AWAY["overloaded"]
        running.commit([message("NF-01", LATE)])
        with database.write() as tx:
            change(tx)
        snapshot(database.path, tmp_path / "copy.db")
        copy = Database(tmp_path / "copy.db", synchronous="off")
        assert waiting(copy).samples == left
        copy.close()


def test_months_are_not_dropped_before_what_waits_for_them_counts(tmp_path: Path) -> None:
    old = RULES.__class__(hot_ms=RULES.hot_ms, keep_ms=50 * DAY_MS, max_gap_ms=RULES.max_gap_ms)
    with store(tmp_path) as database:
        archived(database, FIRST, kind="parquet")
        running = pipeline(database, now_ms=NOW_MS)
        folder = tmp_path / "archive"
        folder.rename(tmp_path / "elsewhere")
        running.commit([message("NF-01", LATE)])
        (tmp_path / "elsewhere").rename(folder)
        assert move(database, now_ms=NOW_MS, rules=old).dropped == 0
        assert looked(database, running) == ["NF-01"]
        running.flush()
        assert move(database, now_ms=NOW_MS, rules=old).dropped == 1
        assert kept(database) == undisturbed({"NF-01": [*FIRST, *LATE]})


def test_the_look_goes_on_by_itself_and_ends(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("deploy.archive_look.EVERY_S", 0.01)
    with influx(tmp_path, monkeypatch) as (database, far):
        archived(database, FIRST)
        running = pipeline(database, now_ms=NOW_MS)
        far.always = AWAY["unauthorized"]
        running.commit([message("NF-01", LATE)])
        look = ArchiveLook(database, running.postponing.readable)
        look.start()
        asked = far.asked
        assert until(lambda: far.asked > asked + 1, 20.0)
        assert not running.postponing.readable
        far.always = None
        assert until(lambda: bool(running.postponing.readable), 20.0)
        assert look.stop()
        assert [each.vehicle for each in running.commit_postponed()] == ["NF-01"]


def test_only_the_sealed_part_of_the_same_month_waits(tmp_path: Path) -> None:
    """The first hours that are not sealed are run from a state that lies in the month before."""
    march: list[Sample] = [*climb(40, start_ms=HOT_MS + 60_000, start_c=85.0)]
    days = [*FIRST, *march[::2]]
    late = march[1::2]
    with store(tmp_path) as database:
        archived(database, days, kind="parquet")
        running = pipeline(database, now_ms=NOW_MS)
        with (
            database.write() as tx
        ):  # as after an erasure of states: none is left but the oldest
            tx.execute("DELETE FROM checkpoint WHERE time_ms > ?", (JANUARY.end_ms,))
        folder = tmp_path / "archive"
        folder.rename(tmp_path / "elsewhere")
        running.commit([message("NF-01", [*late, *NEWEST])])
        assert (waiting(database).samples, refused(database)) == (len(late), [])
        assert running.trucks["NF-01"].last_ms == DAY[-1]["time_ms"]
        (tmp_path / "elsewhere").rename(folder)
        assert looked(database, running) == ["NF-01"]
        assert kept(database) == undisturbed({"NF-01": [*days, *late, *NEWEST]})


def test_a_daemon_puts_off_goes_on_and_takes_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("deploy.archive_look.EVERY_S", 0.01)
    folder = tmp_path / "archive"
    with store(tmp_path) as database:
        archived(database, FIRST, kind="parquet")
    folder.rename(tmp_path / "elsewhere")
    running = Running(tmp_path)
    running.now_ms = NOW_MS
    readable = running.daemon._parts.pipeline.postponing.readable
    look = ArchiveLook(running.database, readable)
    running.daemon.start()
    look.start()
    running.source.feed([message("NF-01", LATE), message("NF-01", NEWEST)])
    assert until(lambda: len(running.source.acked) == 2, 20.0)
    assert waiting(running.database).samples == len(LATE)
    assert [each.kind for each in running.standing() if each.vehicle == OURSELVES] == []
    (tmp_path / "elsewhere").rename(folder)
    assert until(lambda: waiting(running.database).samples == 0, 20.0)
    assert look.stop()
    running.daemon.stop()
    with store(tmp_path) as database:
        assert refused(database) == []
        assert kept(database) == undisturbed({"NF-01": DAY})
