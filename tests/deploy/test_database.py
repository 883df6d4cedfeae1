"""The store: steps applied once, one writer, readers that cannot write, errors that undo."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import pytest

import alerts.schema
import deploy.database
import deploy.schema
import ingest.schema
import review.schema
from deploy.database import Database, StoreError, read_only
from tests.deploy.store import dump


def _columns(database: Database) -> list[str]:
    return [line for line in dump(database) if line.startswith("CREATE")]


def test_a_new_store_has_every_step(tmp_path: Path) -> None:
    database = Database(tmp_path / "a" / "heatbook.db")
    with database.read() as conn:
        steps = conn.execute("SELECT package, count(*) FROM schema_step GROUP BY package")
        found = dict(steps.fetchall())
    database.close()
    packages = {
        "ingest": ingest.schema,
        "alerts": alerts.schema,
        "review": review.schema,
        "deploy": deploy.schema,
    }
    assert found == {name: len(package.STEPS) for name, package in packages.items()}


def test_every_table_is_strict(tmp_path: Path) -> None:
    database = Database(tmp_path / "heatbook.db")
    with database.read() as conn:
        loose = conn.execute(
            "SELECT name FROM pragma_table_list WHERE NOT strict AND name NOT LIKE 'sqlite_%'"
        ).fetchall()
    database.close()
    assert loose == []


def test_the_store_is_durable_by_default(tmp_path: Path) -> None:
    database = Database(tmp_path / "heatbook.db")
    with database.write() as tx:
        assert tx.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert tx.execute("PRAGMA synchronous").fetchone() == (2,)  # 2 is FULL
    database.close()


def test_a_store_of_an_earlier_version_is_brought_forward(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    full = deploy.database._PACKAGES
    with monkeypatch.context() as patch:
        first = tuple((package, steps[:1]) for package, steps in full)
        patch.setattr(deploy.database, "_PACKAGES", first)
        old = Database(tmp_path / "old.db")
        with old.write() as tx:
            tx.execute("INSERT INTO vehicle VALUES (1, 'NF-01', 5, 6, NULL, NULL)")
        old.close()
    brought = Database(tmp_path / "old.db")
    new = Database(tmp_path / "new.db")
    assert sorted(_columns(brought)) == sorted(_columns(new))
    with brought.read() as conn:
        assert conn.execute("SELECT name, first_heard_ms FROM vehicle").fetchall() == [
            ("NF-01", 5)
        ]
    brought.close()
    new.close()


def test_a_step_that_fails_leaves_the_store_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    Database(tmp_path / "heatbook.db").close()
    broken = (
        (
            "ingest",
            (*ingest.schema.STEPS, ("CREATE TABLE more (a INTEGER) STRICT", "nonsense")),
        ),
        ("alerts", alerts.schema.STEPS),
    )
    with monkeypatch.context() as patch:
        patch.setattr(deploy.database, "_PACKAGES", broken)
        with pytest.raises(StoreError, match="cannot open the store"):
            Database(tmp_path / "heatbook.db")
    # The lock was let go, nothing of the step is there, and the store still opens.
    database = Database(tmp_path / "heatbook.db")
    assert not any("more" in line for line in _columns(database))
    database.close()


def test_a_later_store_is_refused(tmp_path: Path) -> None:
    database = Database(tmp_path / "heatbook.db")
    with database.write() as tx:
        tx.execute("INSERT INTO schema_step VALUES ('alerts', 99)")
    database.close()
    with pytest.raises(StoreError, match=r"later Heatbook \(alerts step"):
        Database(tmp_path / "heatbook.db")


@pytest.mark.parametrize("junk", [b"this is no database at all" * 100, b"\x00" * 4096])
def test_a_file_that_is_no_store_is_refused(tmp_path: Path, junk: bytes) -> None:
    path = tmp_path / "heatbook.db"
    path.write_bytes(junk)
    with pytest.raises(StoreError, match="cannot open the store"):
        Database(path)
    assert path.read_bytes() == junk


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="cannot use"):
        Database(tmp_path / "file" / "heatbook.db")


OTHER_WRITER = """
import sys
from pathlib import Path
from deploy.database import Database, StoreError
try:
    Database(Path(sys.argv[1]))
except StoreError as error:
    print(error)
"""


def test_a_second_writer_is_refused_in_this_process_and_in_another(tmp_path: Path) -> None:
    path = tmp_path / "heatbook.db"
    database = Database(path)
    with pytest.raises(StoreError, match="another Heatbook already writes"):
        Database(path)
    command = [sys.executable, "-c", OTHER_WRITER, str(path)]
    root = Path(deploy.database.__file__).parent.parent
    said = subprocess.run(command, cwd=root, capture_output=True, text=True, check=True)  # noqa: S603
    assert "another Heatbook already writes" in said.stdout
    database.close()
    Database(path).close()


def test_an_error_rolls_back_and_lets_the_next_in(tmp_path: Path) -> None:
    database = Database(tmp_path / "heatbook.db")
    with pytest.raises(sqlite3.IntegrityError), database.write() as tx:
        tx.executemany("INSERT INTO unknown_field VALUES (?, 1)", [("a",), ("a",)])
    with database.write() as tx:
        tx.execute("INSERT INTO unknown_field VALUES ('b', 1)")
    with database.read() as conn:
        assert conn.execute("SELECT name FROM unknown_field").fetchall() == [("b",)]
    database.close()


def test_writers_wait_for_each_other(tmp_path: Path) -> None:
    database = Database(tmp_path / "heatbook.db", synchronous="off")
    with database.write() as tx:
        tx.execute("INSERT INTO unknown_field VALUES ('a', 0)")

    def add() -> None:
        for _ in range(50):
            with database.write() as tx:
                (times,) = tx.execute("SELECT times FROM unknown_field").fetchone()
                tx.execute("UPDATE unknown_field SET times = ?", (times + 1,))

    threads = [threading.Thread(target=add) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with database.read() as conn:
        assert conn.execute("SELECT times FROM unknown_field").fetchone() == (200,)
    database.close()


def test_a_reader_sees_one_moment_and_cannot_write(tmp_path: Path) -> None:
    database = Database(tmp_path / "heatbook.db")
    with database.read() as conn:
        assert conn.execute("SELECT count(*) FROM unknown_field").fetchone() == (0,)
        with database.write() as tx:
            tx.execute("INSERT INTO unknown_field VALUES ('a', 1)")
        assert conn.execute("SELECT count(*) FROM unknown_field").fetchone() == (0,)
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            conn.execute("INSERT INTO unknown_field VALUES ('b', 1)")
    database.close()


def test_reading_a_store_that_is_not_there_says_so(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="there is no store"), read_only(tmp_path / "none.db"):
        pass
    assert not (tmp_path / "none.db").exists()


def test_closing_folds_the_log_into_the_file(tmp_path: Path) -> None:
    database = Database(tmp_path / "heatbook.db")
    with database.write() as tx:
        tx.execute("INSERT INTO unknown_field VALUES ('a', 1)")
    database.close()
    assert not (tmp_path / "heatbook.db-wal").exists()
