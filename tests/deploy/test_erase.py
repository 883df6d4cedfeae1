"""One truck is erased: nothing of it is left in any file, and all others are as they were."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from alerts import hold
from alerts.alarm import State
from alerts.content import Content, encode
from alerts.hold import Hold
from alerts.own.facts import OURSELVES
from deploy import erasure
from deploy.database import Database, read_only
from deploy.history_keeper import ask, history_keeper, note
from deploy.history_move import Moved
from deploy.settings import Settings
from deploy.signs import STUCK_MS
from deploy.waiting import until
from ingest import journal, sealing
from ingest.archive import Archive, Contents
from ingest.message import Message
from ingest.sealed import archive_of
from models.fleet import Fleet
from review.access.audit import Deed, audit
from review.entry_rules import UnknownTruck
from review.service_record import drop_pan
from tests.deploy.backed_up import Home
from tests.deploy.moved import JANUARY, move
from tests.deploy.record_store import book
from tests.deploy.store import kept, pipeline, store
from tests.deploy.test_daemon import PATIENCE_S, Running
from tests.deploy.test_history_move import DAYS, NOW_MS, holds_all
from tests.recorded import climb, message

TRUCK = "NF-0451-gone"
"""Its name is found in no other text."""

LIKE = "NF-0451-gone.2"
"""Another truck, whose name begins with that one."""

HOUR_MS = 3_600_000
HOT = climb(90, start_ms=NOW_MS - 6 * HOUR_MS, start_c=110.0, slope_k_min=0.6)
OLD = climb(60, start_ms=JANUARY.first_ms + 5 * 86_400_000, start_c=85.0)


def _fill(database: Database, truck: str) -> None:
    """Let a truck leave something in every table that a truck can leave something in."""
    running = pipeline(database, now_ms=NOW_MS)
    for start in range(0, 90, 30):
        running.commit([message(truck, HOT[start : start + 30])])
    running.commit(
        [
            message(truck, OLD),
            message(truck, [{**HOT[3], "fluid_temp_c": 60.0}]),
            Message(topic=f"fleet/{truck}/telemetry", payload=b'{"gear": 99}'),
            Message(
                topic=f"fleet/{truck}/status", payload=b'{"online":true,"time":1767268800}'
            ),
        ]
    )
    running.flush()
    with book(database) as opened:
        entry = drop_pan(opened, truck, NOW_MS - 5 * HOUR_MS, volume_l=4.0, note=f"of {truck}")
    running.commit_record()
    with database.write() as tx:
        hold.put(
            tx,
            Hold(
                id=0,
                state=State.SUPPRESSED,
                vehicle=truck,
                kind=None,
                from_ms=NOW_MS,
                until_ms=None,
                by="Kim",
                reason=f"{truck} is in the shop",
            ),
        )
        audit(
            tx,
            "Kim",
            Deed.SERVICE_RECORDED,
            f"{truck} pan_drop, entry {entry.id}",
            now_ms=NOW_MS,
        )
        tx.execute(
            "INSERT INTO inbox (topic, payload) VALUES (?, ?)",
            (f"fleet/{truck}/telemetry", b"{}"),
        )


def _files_that_name(folder: Path, name: bytes) -> list[Path]:
    """Look into every file below a folder, byte by byte, and at its own name."""
    return [
        path
        for path in folder.rglob("*")
        if (name in str(path).encode() or (path.is_file() and name in path.read_bytes()))
    ]


def _rows(store: Path, name: str) -> dict[str, int]:
    """Count the rows that name a truck, in every table that has any."""
    with closing(sqlite3.connect(store)) as conn:
        dumped = [line for line in conn.iterdump() if name in line]
    found: dict[str, int] = {}
    for line in dumped:
        table = line.split('"')[1]
        found[table] = found.get(table, 0) + 1
    return found


def test_nothing_of_it_is_left_in_any_file_and_the_others_are_as_they_were(home: Home) -> None:
    database = home.open()
    others = kept(database)
    _fill(database, TRUCK)
    move(database, now_ms=NOW_MS)
    database.close()
    before = _rows(home.store, TRUCK)
    tables = {
        "vehicle",
        "quarantine",
        "inbox",
        "service_entry",
        "transition",
        "alarm",
        "hold",
        "audit",
    }
    assert before.keys() >= tables
    assert _files_that_name(home.store.parent, TRUCK.encode())

    told = home.run("erase", TRUCK)
    assert told.exit_code == 0, told.exception
    assert "90 samples in the store" in told.output
    assert "60 samples in the archive" in told.output
    assert "1 entries of the service record" in told.output
    assert "Nothing is erased yet" in told.output
    assert _rows(home.store, TRUCK) == before

    done = home.run("erase", TRUCK, "--yes", "--by", "Ines")
    assert done.exit_code == 0, done.exception
    assert f"{TRUCK} is erased" in done.output
    assert _rows(home.store, TRUCK) == {}
    assert _files_that_name(home.store.parent, TRUCK.encode()) == []
    database = home.open()
    # The others' states are packed by the tests' models; the pipeline of the command computed none anew.
    assert kept(database)[1] == others[1]
    assert holds_all(database)
    with database.read() as conn:
        lines = conn.execute("SELECT who, what, about FROM audit ORDER BY id").fetchall()
        assert conn.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert conn.execute("PRAGMA foreign_key_check").fetchall() == []
    assert lines == [
        ("Kim", "service.recorded", "(erased truck 1) pan_drop, entry 1"),
        ("Ines", "truck.erased", "(erased truck 1)"),
    ]
    database.close()


def test_its_samples_are_gone_too_from_free_pages(home: Home) -> None:
    """Rows that left the journal when their month was sealed lay in free pages still."""
    database = home.open()
    _fill(database, TRUCK)
    with database.read() as conn:
        bodies = [
            row[0]
            for row in conn.execute(
                "SELECT body FROM journal JOIN vehicle ON vehicle.id = vehicle_id WHERE name = ?",
                (TRUCK,),
            )
        ]
    pieces = [body[-60:] for body in bodies if len(body) > 60]
    assert pieces
    move(database, now_ms=NOW_MS)
    database.close()
    raw = home.store.read_bytes()
    assert any(piece in raw for piece in pieces)
    assert home.run("erase", TRUCK, "--yes").exit_code == 0
    raw = home.store.read_bytes()
    log = home.store.with_name("heatbook.db-wal")
    raw += log.read_bytes() if log.exists() else b""
    assert not any(piece in raw for piece in pieces)


def test_a_truck_whose_name_only_begins_so_stays(home: Home) -> None:
    database = home.open()
    _fill(database, LIKE)
    _fill(database, TRUCK)
    move(database, now_ms=NOW_MS)
    database.close()
    assert home.run("erase", TRUCK, "--yes").exit_code == 0
    left = _rows(home.store, LIKE)
    assert left.keys() >= {"vehicle", "quarantine", "service_entry", "alarm", "hold", "audit"}
    files = _files_that_name(home.store.parent, LIKE.encode())
    assert [path for path in files if path.suffix == ".parquet"]
    assert set(_files_that_name(home.store.parent, TRUCK.encode())) == set(files)


def test_a_truck_called_by_a_number_takes_nothing_of_others_along(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        running = pipeline(database, now_ms=NOW_MS)
        running.commit(
            [
                Message(topic="fleet/NF-02/telemetry", payload=b'{"gear": 101}'),
                Message(topic="fleet/NF-02/telemetry", payload=b'{"gear": "101"}'),
                Message(topic="fleet/101/telemetry", payload=b'{"gear": 99}'),
            ]
        )
        with database.write() as tx:
            for name, body in (
                ("ten", "NF-1010 and 1101"),
                ("it", "Trucks:\n101: hot"),
            ):
                content = encode(Content(subject="", short="", body=body))
                tx.execute(
                    "INSERT INTO sending (id, destination, what, content, priority, created_ms, due_ms) "
                    "VALUES (?, 'log', 'report', ?, 1, 0, 0)",
                    (name, content),
                )
            erasure.ask(tx, "101", "Kim", NOW_MS)
        running.commit_erasures()
        with database.read() as conn:
            (left,) = conn.execute("SELECT raw FROM quarantine").fetchall()
            assert left == (b'{"gear": 101}',)
            told = conn.execute("SELECT id, content <> '', state FROM sending ORDER BY id")
            assert told.fetchall() == [("it", 0, "cancelled"), ("ten", 1, "pending")]


def test_a_move_that_named_it_meanwhile_is_cleared_of_it_too(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        running = pipeline(database, now_ms=NOW_MS)
        running.commit([message(TRUCK, HOT)])
        with database.write() as tx:
            erasure.ask(tx, TRUCK, "Kim", NOW_MS)
            number = ask(tx, NOW_MS)
        running.commit_erasures()
        with database.write() as tx:
            note(tx, number, Moved(problems=[f"{TRUCK} was erased"]), NOW_MS)
        erasure.finish(database, lambda: NOW_MS)
    assert _rows(tmp_path / "heatbook.db", TRUCK) == {}


def test_a_move_under_way_gives_nothing_of_it_to_the_truck_that_begins_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with store(tmp_path) as database:
        running = pipeline(database, now_ms=NOW_MS)
        running.commit([message(TRUCK, OLD)])
        keep = sealing.keep

        def kept_meanwhile(archive: Archive, contents: Contents) -> None:
            keep(archive, contents)
            with database.write() as tx:
                erasure.ask(tx, TRUCK, "Kim", NOW_MS)
            running.commit_erasures()
            running.commit([message(TRUCK, HOT)])

        monkeypatch.setattr(sealing, "keep", kept_meanwhile)
        before = running.trucks[TRUCK].vehicle_id
        move(database, now_ms=NOW_MS)
        assert running.trucks[TRUCK].vehicle_id == before
        erasure.finish(database, lambda: NOW_MS)
        with database.read() as conn:
            assert conn.execute("SELECT count(*) FROM sealed").fetchone() == (0,)
            span = journal.span(conn, vehicle_id=before)
            assert list(archive_of(conn).names()) == []
        assert span == (HOT[0]["time_ms"], HOT[-1]["time_ms"])


def test_while_the_store_is_written_anew_the_daemon_does_not_seem_to_hang(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    running = Running(tmp_path)
    monkeypatch.setattr(running.daemon._progress, "phase", "serving")
    monkeypatch.setattr(running.daemon._progress, "_turned_ms", -STUCK_MS)
    assert running.daemon.signs.turned_ms > STUCK_MS
    seen: list[int] = []
    writer = running.database._writer

    class Slow:
        def execute(self, what: str) -> sqlite3.Cursor:
            seen.append(running.daemon.signs.turned_ms)
            return writer.execute(what)

    with monkeypatch.context() as patched:
        patched.setattr(running.database, "_writer", Slow())
        running.database.wring()
    assert seen == [0, 0]
    assert running.daemon.signs.turned_ms > STUCK_MS
    running.database.close()


@pytest.mark.parametrize("name", ["NF-77", "*", OURSELVES])
def test_who_is_no_truck_is_told(home: Home, name: str) -> None:
    database = home.open()
    with database.write() as tx:
        for vehicle in ("*", OURSELVES):
            tx.execute(
                "INSERT INTO hold (state, vehicle, from_ms, by, reason) "
                "VALUES ('suppressed_by_design', ?, 0, 'Kim', 'a test')",
                (vehicle,),
            )
    database.close()
    assert isinstance(home.run("erase", name, "--yes").exception, UnknownTruck)
    assert _rows(home.store, OURSELVES) == {"hold": 1}


def test_backups_that_still_hold_it_are_named(home: Home) -> None:
    config = home.store.parent / "heatbook.toml"
    config.write_text(f'[backup]\nfolder = "{home.backups}"\nkeep = 3\n' + config.read_text())
    assert home.run("backup").exit_code == 0
    said = " ".join(home.run("erase", "NF-01", "--yes").output.split())
    assert "1 backup in" in said
    assert "keep = 3" in said


def test_a_truck_that_was_sending_a_moment_ago_leaves_no_state_to_be_written(
    tmp_path: Path,
) -> None:
    with store(tmp_path) as database:
        running = pipeline(database, now_ms=NOW_MS)
        for start in (0, 30):
            running.commit([message(TRUCK, HOT[start : start + 30])])
        assert running.trucks[TRUCK].unsaved
        with database.write() as tx:
            erasure.ask(tx, TRUCK, "Kim", NOW_MS)
        assert running.commit_erasures() == [TRUCK]
        running.flush()
    assert _rows(tmp_path / "heatbook.db", TRUCK).keys() == {"erase_asked"}


def test_while_somebody_reads_the_store_it_is_not_done_and_then_it_is(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        database._writer.execute("PRAGMA busy_timeout=50")  # else it waits for the reader
        running = pipeline(database, now_ms=NOW_MS)
        running.commit([message(TRUCK, HOT)])
        with database.write() as tx:
            number = erasure.ask(tx, TRUCK, "Kim", NOW_MS)
        with read_only(database.path) as reading:
            reading.execute("SELECT count(*) FROM journal").fetchone()
            running.commit_erasures()
            with pytest.raises(sqlite3.OperationalError, match="somebody reads"):
                erasure.finish(database, lambda: NOW_MS)
        erasure.finish(database, lambda: NOW_MS)
        with database.read() as conn:
            assert erasure.progress(conn, number)[:2] == (True, True)


def test_beside_a_daemon_it_forgets_it_and_what_comes_later_begins_anew(tmp_path: Path) -> None:
    running = Running(tmp_path)
    running.now_ms = NOW_MS
    settings = Settings.model_validate({"store": {"path": tmp_path / "heatbook.db"}})
    keeper = history_keeper(settings, Fleet(), running.database, lambda: NOW_MS)
    running.daemon.start()
    keeper.start()
    try:
        running.source.feed([message(TRUCK, HOT), message("NF-02", DAYS["NF-02"][:40])])
        assert until(lambda: len(running.source.acked) == 2, PATIENCE_S)
        with running.database.write() as tx:
            number = erasure.ask(tx, TRUCK, "Kim", NOW_MS)

        def done() -> bool:
            with running.database.read() as conn:
                return erasure.progress(conn, number)[1]

        assert until(done, 3 * PATIENCE_S)
        assert _files_that_name(tmp_path, TRUCK.encode()) == []
        cleared = {
            topic
            for topic, payload, retain in running.source.published
            if payload == b"" and retain
        }
        assert cleared >= {f"fleet/{TRUCK}/received", f"fleet/{TRUCK}/status"}
        # The broker sends us, too, that the status is cleared: that is nothing, of nobody.
        running.source.feed([Message(topic=f"fleet/{TRUCK}/status", payload=b"")])
        assert until(lambda: len(running.source.acked) == 3, PATIENCE_S)
        assert _rows(tmp_path / "heatbook.db", TRUCK) == {}
        later = climb(3, start_ms=NOW_MS - HOUR_MS)
        running.source.feed([message(TRUCK, later)])
        assert until(lambda: len(running.source.acked) == 4, PATIENCE_S)
        with running.database.read() as conn:
            counted = conn.execute(
                "SELECT sum(samples) FROM journal JOIN vehicle ON vehicle.id = vehicle_id "
                "WHERE name = ?",
                (TRUCK,),
            ).fetchone()
        assert counted == (3,)
    finally:
        keeper.stop()
        running.daemon.stop()
