"""Stores that earlier versions wrote are brought forward whole, and the daemon goes on with them.

``tests/deploy/stores/README.md`` says how each was made.
"""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
import tarfile
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from deploy.cli import main
from deploy.database import Database, StoreError, steps_known
from deploy.upgrade import KEPT, copies, steps_done
from ingest.held import load
from ingest.record import effective
from models.course import run
from models.fleet import Fleet, Limits, Vehicle
from models.kernel import STATE
from models.layout import blank
from review.trucks import courses_of
from tests.deploy.captures import ROOT
from tests.deploy.store import kept, pipeline
from tests.deploy.test_history_move import read_all
from tests.recorded import MINUTE_MS, climb, message

STORES = sorted((Path(__file__).parent / "stores").glob("*.tar.gz"))

FLEET = Fleet(
    vehicles={
        "NF-01": Vehicle(
            name="NF-01",
            installed_odometer_km=49_000.0,
            limits=Limits(service_distance_km=1_100.0, over_temperature_c=115.0),
        )
    }
)
"""What ``stores/make.py`` tells the daemon of its fleet."""

COURSES = courses_of(FLEET, max_gap_s=300.0, silent_after_s=900.0)

MOVED = {("outbox", "channel"): "destination", ("attempt", "channel"): "destination"}
"""Columns that go by another name since."""

GONE = {("outbox", "attempts"), ("outbox", "claimed"), ("outbox", "last_error")}
"""Columns that a telling's sending has now."""

Rows = dict[str, tuple[list[str], list[tuple[Any, ...]]]]


def unpacked(stored: Path, folder: Path) -> Path:
    """Unpack a store and give its file."""
    with tarfile.open(stored) as packed:
        packed.extractall(folder, filter="data")
    return folder / "heatbook.db"


def rows(store: Path) -> Rows:
    """Read every table of a store: its columns and its rows."""
    found: Rows = {}
    with closing(sqlite3.connect(f"file:{store}?immutable=1", uri=True)) as conn:
        tables = conn.execute(
            "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
        ).fetchall()
        for (name,) in tables:
            cursor = conn.execute(f"SELECT * FROM {name}")  # noqa: S608
            columns = [column for column, *_ in cursor.description]
            found[name] = (columns, cursor.fetchall())
    return found


def same_rows(before: Rows, after: Rows) -> None:
    """Each row of before is there, column by column where it still has that column."""
    for table, (columns, old) in before.items():
        if table == "schema_step":
            continue
        new_columns, new = after[table]
        shared = [name for name in columns if (table, name) not in GONE]
        places = [new_columns.index(MOVED.get((table, name), name)) for name in shared]
        wanted = sorted(
            (tuple(row[columns.index(name)] for name in shared) for row in old), key=repr
        )
        found = sorted((tuple(row[place] for place in places) for row in new), key=repr)
        assert found == wanted, table


@pytest.fixture(params=STORES, ids=[path.name.partition(".")[0] for path in STORES])
def old(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A store of an earlier version."""
    return unpacked(request.param, tmp_path)


def test_there_are_stores_of_before() -> None:
    assert len(STORES) >= 3


def test_every_row_is_there_after_and_a_copy_from_before(old: Path) -> None:
    before = rows(old)
    assert before["journal"][1]
    assert before["alarm"][1]
    database = Database(old, synchronous="off")
    with database.read() as conn:
        assert steps_done(conn) == steps_known()
        assert conn.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert conn.execute("PRAGMA foreign_key_check").fetchall() == []
    database.close()
    same_rows(before, rows(old))
    (copy,) = copies(old)
    assert rows(copy) == before
    # What it is now is what a new store is: no table, index or trigger is missing, none is left over.
    new = Database(old.with_name("new.db"), synchronous="off")
    schemas = []
    for store in (database.path, new.path):
        with closing(sqlite3.connect(store)) as conn:
            found = conn.execute("SELECT type, name, tbl_name FROM sqlite_schema").fetchall()
        schemas.append(sorted(found))
    new.close()
    assert schemas[0] == schemas[1]


def test_the_daemon_takes_it_up_and_goes_on_with_the_accounts_of_its_samples(old: Path) -> None:
    """The models have changed since: accounts are computed anew, from the samples and the record."""
    database = Database(old, synchronous="off")
    with database.read() as conn:
        (newest_ms,) = conn.execute("SELECT max(last_ms) FROM journal").fetchone()
    now_ms = newest_ms + 10 * MINUTE_MS
    running = pipeline(database, courses=COURSES, now_ms=now_ms)
    _accounts_are_those_of_the_samples(database)
    later = climb(5, start_ms=newest_ms + MINUTE_MS, period_ms=MINUTE_MS, odometer_km=50_200.0)
    running.commit([message("NF-01", later), message("NF-07", later)])
    running.flush()
    assert len(read_all(database, "NF-01")) == 105
    _accounts_are_those_of_the_samples(database)
    database.close()


def _accounts_are_those_of_the_samples(database: Database) -> None:
    """Each state is that of the kernel alone, run once over all samples in order."""
    states = kept(database, COURSES)[0]
    assert {"NF-01", "NF-02", "NF-03"} <= states.keys()
    for name, state in states.items():
        with database.read() as conn:
            course = COURSES(name, effective(conn, name, taken_only=True))
            held = load(conn, name, course, "tests")
        assert held is not None
        assert held.on_file
        anew = blank(STATE)
        run(course, anew, read_all(database, name))
        assert state == anew.tobytes(), name


CRASH = """
import os, sys
from pathlib import Path
import deploy.database
from deploy.database import Database
path, at = Path(sys.argv[1]), int(sys.argv[2])
real = deploy.database._migrate
class Counting:
    def __init__(self, tx):
        self.tx, self.left = tx, at
    def execute(self, *words):
        self.left -= 1
        if self.left == 0:
            os.kill(os.getpid(), 9)
        return self.tx.execute(*words)
deploy.database._migrate = lambda tx: real(Counting(tx))
Database(path)
print("done")
"""


@pytest.mark.parametrize("at", [9, 45])
def test_a_crash_among_the_steps_leaves_the_old_version_whole(tmp_path: Path, at: int) -> None:
    old = unpacked(STORES[0], tmp_path)
    before = rows(old)
    died = subprocess.run(  # noqa: S603
        [sys.executable, "-c", CRASH, str(old), str(at)],
        cwd=ROOT,
        check=False,
        capture_output=True,
    )
    assert died.returncode == -9, died.stderr
    with closing(
        sqlite3.connect(old)
    ) as conn:  # what is left of a log is read, and counts for nothing
        assert conn.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    assert rows(old) == before
    Database(old, synchronous="off").close()
    same_rows(before, rows(old))
    (copy,) = copies(old)
    assert rows(copy) == before


def test_without_room_for_the_copy_nothing_is_begun(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = unpacked(STORES[0], tmp_path)
    before = rows(old)
    full = shutil.disk_usage(tmp_path)._replace(free=1000)
    monkeypatch.setattr("deploy.upgrade.shutil.disk_usage", lambda _: full)
    with pytest.raises(StoreError, match="make room there, or start the earlier version"):
        Database(old)
    assert rows(old) == before
    assert copies(old) == []


def test_only_the_last_copies_stay(tmp_path: Path) -> None:
    old = unpacked(STORES[0], tmp_path)
    for number in range(KEPT + 1):
        (tmp_path / f"heatbook.db.before-old{number}").write_bytes(b"x")
    (tmp_path / "heatbook.db.before-restore-1").write_bytes(b"kept by a restore")
    Database(old, synchronous="off").close()
    assert len(copies(old)) == KEPT
    assert any("ingest" in path.name for path in copies(old))
    assert (tmp_path / "heatbook.db.before-restore-1").exists()


@pytest.mark.parametrize(
    "words", ["serve", "history move", "backup --into elsewhere", "erase NF-01 --yes"]
)
def test_going_back_is_refused_with_a_clear_word_and_exit_code(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: str,
) -> None:
    """A store of a later Heatbook: exit code 1, what to do, and nothing is changed."""
    store = tmp_path / "heatbook.db"
    database = Database(store, synchronous="off")
    with database.write() as tx:
        tx.execute("INSERT INTO vehicle VALUES (1, 'NF-01', 5, 6, NULL, NULL)")
        tx.execute("INSERT INTO schema_step VALUES ('alerts', 99)")
    database.close()
    before = rows(store)
    config = tmp_path / "heatbook.toml"
    config.write_text(f'[store]\npath = "{store}"\n')
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sys.argv", ["heatbook", *words.split(), "--config", str(config)])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 1
    told = capsys.readouterr().err
    assert "the store is from a later Heatbook (alerts step" in told
    assert "install that version, or restore an older backup" in told
    assert rows(store) == before
    assert copies(store) == []
    assert not (tmp_path / "elsewhere").exists()
