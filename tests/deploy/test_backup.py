"""Backups: whole or not there, of one moment, and only our own go."""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

import deploy.backup.make
import deploy.backup.snapshot
from deploy.backup.manifest import BackupError, read
from deploy.backup.snapshot import snapshot
from deploy.backup.told import last_backup
from deploy.backup.verify import verify
from deploy.database import Database
from ingest import sealed
from ingest.archive import ArchiveError
from ingest.parquet_archive import ParquetArchive
from tests.deploy.backed_up import SECRET, Home, settled
from tests.deploy.moved import DAY_MS, JANUARY, move
from tests.deploy.store import COURSES, kept, pipeline
from tests.deploy.test_history_move import NOW_MS
from tests.recorded import climb, message


def _rows(store: Path) -> dict[str, list[Any]]:
    """Read every row of a store, but for where the archive is and what backups there were."""
    with closing(sqlite3.connect(f"file:{store}?immutable=1", uri=True)) as conn:
        tables = conn.execute(
            "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
        ).fetchall()
        return {
            name: sorted(conn.execute(f"SELECT * FROM {name}").fetchall(), key=repr)  # noqa: S608
            for (name,) in tables
            if name not in ("archive_place", "backup_made")
        }


def test_a_backup_has_every_row_every_month_and_their_hashes(home: Home) -> None:
    backup = home.back_up()
    assert _rows(backup / "heatbook.db") == _rows(home.store)
    told = read(backup)
    assert told.counts.trucks == 2
    assert told.counts.months == 4
    # The hash is that of another tool: coreutils' sha256sum.
    listed = "".join(f"{part.sha256}  {part.path}\n" for part in told.parts)
    checked = subprocess.run(
        ["sha256sum", "--check", "--strict"],  # noqa: S607
        cwd=backup,
        input=listed,
        capture_output=True,
        text=True,
        check=False,
    )
    assert checked.returncode == 0, checked.stdout
    names = {
        path.relative_to(backup).as_posix() for path in backup.rglob("*") if path.is_file()
    }
    assert names == {part.path for part in told.parts} | {"manifest.json"}
    assert home.run("backup", "verify", str(backup), "--all").exit_code == 0


def test_the_store_remembers_when_it_was_backed_up(home: Home) -> None:
    backup = home.back_up()
    database = home.open()
    with database.read() as conn:
        last = last_backup(conn)
    database.close()
    assert last is not None
    assert (last.folder, last.months) == (str(backup), 4)
    assert last.as_of_ms == read(backup).as_of_ms


def test_secrets_are_left_out_and_that_is_said(home: Home) -> None:
    done = home.run("backup", "--into", str(home.backups))
    backup = home.newest()
    text = (backup / "settings" / "heatbook.toml").read_text()
    assert 'username = "heatbook"' in text
    assert SECRET not in text
    assert "the secrets in" in " ".join(done.output.split())
    for path in backup.rglob("*"):
        assert path.is_dir() or SECRET.encode() not in path.read_bytes()


def test_months_are_shared_with_the_backup_before_and_survive_it(home: Home) -> None:
    first = home.back_up()
    second = home.back_up("--keep", "1")
    assert not first.exists()
    assert second.exists()
    third = home.back_up("--keep", "2")
    months = sorted(path.relative_to(third) for path in third.glob("archive/*/*/*.parquet"))
    assert len(months) == 12
    assert all((third / name).samefile(second / name) for name in months)
    shutil.rmtree(second)
    assert home.run("backup", "verify", str(third)).exit_code == 0
    afresh = home.back_up("--afresh", "--keep", "2")
    assert not any((third / name).samefile(afresh / name) for name in months)


def test_only_backups_of_this_store_go(home: Home, tmp_path: Path) -> None:
    other = settled(tmp_path / "other", moved=False)
    done = other.run("backup", "--into", str(home.backups))
    assert done.exit_code == 0
    (foreign,) = home.backups.glob("heatbook-*")
    bystander = home.backups / "heatbook-of-mine"
    bystander.mkdir()
    (bystander / "note").write_text("mine")
    home.back_up("--keep", "1")
    home.back_up("--keep", "1")
    last = home.back_up("--keep", "1")
    assert {foreign, bystander, last} == set(home.backups.glob("heatbook-*"))


def test_old_ones_go_by_age_but_never_the_newest(home: Home) -> None:
    first = home.back_up()
    body = json.loads((first / "manifest.json").read_text())
    body["as_of_ms"] -= 40 * DAY_MS
    (first / "manifest.json").write_text(json.dumps(body))
    assert home.run("backup", "list", "--into", str(home.backups)).exit_code == 0
    second = home.back_up("--keep-days", "30")
    assert set(home.backups.glob("heatbook-*")) == {second}


CUT = {
    "while a month is copied": ("deploy.backup.files", "copy"),
    "while the store is copied": ("deploy.backup.make", "snapshot"),
    "while settings are copied": ("deploy.backup.make", "copy_settings"),
    "before the manifest": ("deploy.backup.manifest", "write"),
    "before its name": ("deploy.backup.make", "_make_safe"),
}


@pytest.mark.parametrize("where", CUT.values(), ids=CUT.keys())
def test_one_that_is_cut_short_leaves_nothing_that_looks_whole(
    home: Home, where: tuple[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    class Died(BaseException):
        """Ends it there; nothing is cleaned up, as when the process is killed."""

    def die(*_words: object, **_named: object) -> None:
        raise Died

    with monkeypatch.context() as patch:
        patch.setattr(".".join(where), die)
        patch.setattr("deploy.backup.make.shutil.rmtree", lambda *_, **__: None)
        with pytest.raises(Died):
            home.run("backup", "--into", str(home.backups))
    assert list(home.backups.glob("heatbook-*")) == []
    assert list(home.backups.glob(".unfinished-*")) != []
    backup = home.back_up()
    assert list(home.backups.glob(".unfinished-*")) == []
    assert home.run("backup", "verify", str(backup)).exit_code == 0


def test_a_months_file_that_moves_meanwhile_is_had_all_the_same(
    home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    """About the copy of the store the move makes new generations, and sweeps those that the copy names."""
    real: Callable[..., None] = snapshot
    turns: list[int] = []

    def moved_before(store: Path, target: Path) -> None:
        turns.append(1)
        if len(turns) < 3:
            late(1)  # what the copy names is not had yet
        real(store, target)
        if len(turns) < 3:
            late(2)  # and is put aside and swept before it can be

    def late(moves: int) -> None:
        database = home.open()
        start_ms = JANUARY.end_ms - 10 * DAY_MS + len(turns) * 3_600_000 + moves * 60_000
        running = pipeline(database, now_ms=NOW_MS)
        running.commit([message("NF-01", climb(5, start_ms=start_ms, period_ms=7_001))])
        for _ in range(moves):
            assert move(database, now_ms=NOW_MS).problems == []
        database.close()

    monkeypatch.setattr(deploy.backup.make, "snapshot", moved_before)
    backup = home.back_up()
    assert len(turns) == 3
    assert read(backup).problems == []
    assert home.run("backup", "verify", str(backup), "--all").exit_code == 0
    named = {
        part.path for part in read(backup).parts if part.path.startswith("archive/samples")
    }
    with closing(sqlite3.connect(backup / "heatbook.db")) as conn:
        names = {row[0] for row in conn.execute("SELECT name FROM sealed")}
    assert named == {f"archive/samples/{name}.parquet" for name in names}


class Far:
    """An archive that is no folder of Parquet files, as one in a server is none."""

    def __init__(self, folder: Path) -> None:
        self._within = ParquetArchive(folder)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._within, name)


class Away:
    """An archive in a server that is away."""

    def __getattr__(self, name: str) -> Any:
        def refuse(*_: object) -> None:
            raise ArchiveError("the server cannot be reached", "see whether it runs")

        return refuse


def test_months_of_another_archive_are_written_as_parquet(
    home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sealed._OPENERS, "influx", lambda _: Far(home.store.parent / "archive"))
    database = home.open()
    with database.write() as tx:
        sealed.move_place(tx, "far", kind="influx")
    database.close()
    first = home.back_up()
    second = home.back_up()
    names = sorted(
        path.relative_to(first) for path in first.glob("archive/samples/*/*.parquet")
    )
    assert len(names) == 4
    assert all((first / name).samefile(second / name) for name in names)
    found = verify(second, courses=COURSES, models="tests", trucks=None)
    assert (found.problems, found.months, found.run_again) == ((), 4, 2)
    assert read(second).archive == "influx far"


def test_while_the_archive_is_away_the_store_is_saved_all_the_same(
    home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sealed._OPENERS, "influx", lambda _: Away())
    database = home.open()
    with database.write() as tx:
        sealed.move_place(tx, "far", kind="influx")
    database.close()
    done = home.run("backup", "--into", str(home.backups))
    assert done.exit_code == 1
    assert "the server cannot be reached" in done.output
    backup = home.newest()
    assert len(read(backup).problems) == 4
    assert _rows(backup / "heatbook.db") == _rows(home.store)


def test_a_month_that_is_lost_is_told_and_taken_from_the_backup_before(home: Home) -> None:
    home.back_up()
    lost, *_ = (home.store.parent / "archive" / "samples").rglob("*.parquet")
    lost.unlink()
    backup = home.back_up()
    assert home.run("backup", "verify", str(backup)).exit_code == 0
    done = home.run("backup", "--into", str(home.folder / "others"))
    assert done.exit_code == 1
    assert f"{lost} is missing" in done.output
    (partly,) = (home.folder / "others").glob("heatbook-*")
    told = home.run("backup", "verify", str(partly))
    assert told.exit_code == 1


def test_a_month_that_is_damaged_is_told_each_time_and_never_shared(home: Home) -> None:
    whole = home.back_up()
    damaged, *_ = (home.store.parent / "archive" / "samples").rglob("*.parquet")
    body = bytearray(damaged.read_bytes())
    body[len(body) // 2] ^= 0xFF
    damaged.write_bytes(body)
    healed = home.back_up()
    assert home.run("backup", "verify", str(healed)).exit_code == 0
    for _ in range(2):
        done = home.run("backup", "--into", str(home.folder / "others"))
        assert done.exit_code == 1, done.output
    # One that lacks something does not push out the last that lacks nothing.
    done = home.run("backup", "--into", str(home.backups), "--afresh", "--keep", "1")
    assert done.exit_code == 1
    assert healed.exists()
    assert not whole.exists()
    assert home.newest() != healed


def test_a_manifest_that_leads_out_of_its_folder_is_refused(home: Home) -> None:
    backup = home.back_up()
    for path in ("archive/../../../heatbook.toml", "/etc/passwd"):
        told = json.loads((backup / "manifest.json").read_text())
        told["parts"][0]["path"] = path
        (backup / "manifest.json").write_text(json.dumps(told))
        with pytest.raises(BackupError, match="leads out of it"):
            read(backup)


def test_the_writer_goes_on_meanwhile(home: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each step of the copy finds the daemon's commit done at once; the copy is of the moment it began."""
    database = home.open()
    running = pipeline(database, now_ms=NOW_MS)
    before = kept(database)
    steps: list[int] = []

    def commit(_: float) -> None:
        start_ms = NOW_MS - DAY_MS + len(steps) * 60_000
        running.commit([message("NF-01", climb(1, start_ms=start_ms))])
        steps.append(1)

    monkeypatch.setattr(deploy.backup.snapshot, "PAGES", 8)
    monkeypatch.setattr("deploy.backup.snapshot.time.sleep", commit)
    backup = home.back_up()
    database.close()
    assert len(steps) > 10
    with closing(sqlite3.connect(backup / "heatbook.db")) as conn:
        (last_ms,) = conn.execute("SELECT max(last_ms) FROM journal").fetchone()
    assert last_ms < NOW_MS - DAY_MS
    copied = Database(backup / "heatbook.db", synchronous="off")
    assert kept(copied) == before
    copied.close()


def test_a_log_that_grows_too_far_ends_the_copy(home: Home, tmp_path: Path) -> None:
    database = home.open()
    pipeline(database, now_ms=NOW_MS).commit(
        [message("NF-01", climb(50, start_ms=NOW_MS - DAY_MS))]
    )
    with pytest.raises(BackupError, match="its log grew to"):
        snapshot(home.store, tmp_path / "copy.db", limit_bytes=1000)
    database.close()


def _refused(home: Home, *words: str) -> str:
    done = home.run("backup", *words)
    assert isinstance(done.exception, BackupError), done.output
    return str(done.exception)


def test_a_folder_that_will_not_do_is_refused(
    home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "say --into" in _refused(home)
    own = home.store.parent
    assert "lies in the store's own folder" in _refused(home, "--into", str(own / "backups"))
    inside = str(own / "archive" / "samples")
    assert "lies in the archive" in _refused(home, "--into", inside, "--beside-store")
    done = home.run("backup", "--into", str(own / "backups"), "--beside-store")
    assert done.exit_code == 0
    full = shutil.disk_usage(home.folder)._replace(free=1000)
    monkeypatch.setattr("deploy.backup.make.shutil.disk_usage", lambda _: full)
    assert "make room" in _refused(home, "--into", str(home.backups))
    assert list(home.backups.glob("heatbook-*")) == []


def test_a_damaged_store_gives_no_backup(home: Home) -> None:
    first = home.back_up()
    body = bytearray(home.store.read_bytes())
    for page in range(20, len(body) // 4096):
        body[page * 4096 : page * 4096 + 200] = b"\xff" * 200
    home.store.write_bytes(body)
    done = home.run("backup", "--into", str(home.backups))
    assert done.exit_code != 0
    assert set(home.backups.glob("heatbook-*")) == {first}


def test_verify_finds_what_is_damaged_or_gone(home: Home) -> None:
    backup = home.back_up()
    store = backup / "heatbook.db"
    first, second, *_ = (backup / "archive" / "samples").rglob("*.parquet")
    first.unlink()
    for path in (store, second, backup / "settings" / "heatbook.toml"):
        body = bytearray(path.read_bytes())
        body[len(body) // 2] ^= 1
        path.write_bytes(body)
    done = home.run("backup", "verify", str(backup))
    assert done.exit_code == 1
    for path in (store, second, backup / "settings" / "heatbook.toml"):
        assert f"{path} is not as it was written" in done.output
    assert f"{first} cannot be read" in done.output


def test_verify_finds_an_account_that_its_samples_do_not_give(home: Home) -> None:
    """All hashes fit: the store itself tells a story that its journal does not bear out."""
    database = home.open()
    with database.write() as tx:
        (state,) = tx.execute(
            "SELECT state FROM vehicle_state JOIN vehicle ON id = vehicle_id WHERE name = 'NF-02'"
        ).fetchone()
        tx.execute(
            "UPDATE vehicle_state SET state = ? "
            "WHERE vehicle_id = (SELECT id FROM vehicle WHERE name = 'NF-01')",
            (state,),
        )
    database.close()
    backup = home.back_up()
    found = verify(backup, courses=COURSES, models="tests")
    assert found.run_again == 2
    assert len(found.problems) == 1
    assert "the account of NF-01 is not what its samples" in found.problems[0]
    # By other settings neither state could be compared, and that is said.
    by_others = " ".join(home.run("backup", "verify", str(backup)).output.split())
    assert "0 trucks run again; 2 not comparable" in by_others


def test_a_folder_that_is_no_backup_is_named(home: Home) -> None:
    done = home.run("backup", "verify", str(home.folder))
    assert isinstance(done.exception, BackupError)
    assert "is no backup" in str(done.exception)
    backup = home.back_up()
    (backup / "manifest.json").write_text('{"format": 99, "heatbook": "9.9"}')
    done = home.run("backup", "verify", str(backup))
    assert "made by a later Heatbook (9.9" in str(done.exception)
    (backup / "manifest.json").write_text('{"format": 1')
    assert "is damaged" in str(home.run("backup", "verify", str(backup)).exception)
