"""A restore gives the store of then, and from there the same accounts, bit for bit."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Any

import pytest

import deploy.backup.make
from deploy.backup import files
from deploy.backup.manifest import BackupError
from deploy.backup.restore import restore
from deploy.database import Database, StoreBusy
from deploy.settings import Settings
from tests.deploy.backed_up import Home
from tests.deploy.moved import DAY_MS, move
from tests.deploy.store import kept, pipeline, undisturbed
from tests.deploy.test_history_move import DAYS, NOW_MS, holds_all
from tests.recorded import climb, message

SINCE = {
    "NF-01": climb(40, start_ms=NOW_MS - 3 * DAY_MS, odometer_km=58_000.0),
    "NF-02": climb(40, start_ms=NOW_MS - 2 * DAY_MS, odometer_km=58_000.0, start_c=100.0),
    "NF-03": climb(20, start_ms=NOW_MS - DAY_MS),
}
"""What is driven after the backup; NF-03 is heard for the first time."""

ALL = {name: [*DAYS.get(name, []), *more] for name, more in SINCE.items()}


def _take(database: Database, part: slice) -> None:
    running = pipeline(database, now_ms=NOW_MS)
    for name, more in SINCE.items():
        running.commit([message(name, more[part])])
    running.flush()


def test_a_daemon_goes_on_from_a_restore_to_the_same_accounts_bit_for_bit(home: Home) -> None:
    database = home.open()
    _take(database, slice(0, 10))
    backup = home.back_up()
    _take(database, slice(10, None))
    before = kept(database)
    database.close()

    other = home.elsewhere()
    done = other.run("restore", str(backup))
    assert done.exit_code == 0, (done.output, done.exception)
    said = " ".join(done.output.split())
    assert "What gateways and broker still hold of the time since is taken in again" in said
    for file in (other.store, other.store.parent / "archive", backup / "heatbook.db"):
        assert file.stat().st_mode & 0o077 == 0, file  # it holds who may sign in
    again = other.open()
    assert kept(again) != before
    _take(again, slice(5, None))  # what was not confirmed comes again, some of it known already
    assert kept(again) == before == undisturbed(ALL)
    assert holds_all(again, ALL)
    # The archive goes on too: the next move finds all in its place.
    moved = move(again, now_ms=NOW_MS + 60 * DAY_MS)
    assert moved.problems == []
    assert moved.months > 0
    assert holds_all(again, ALL)
    again.close()


def test_where_a_store_stands_nothing_is_put_back_unasked(home: Home) -> None:
    backup = home.back_up()
    body = home.store.read_bytes()
    done = home.run("restore", str(backup))
    assert isinstance(done.exception, BackupError)
    assert "say --replace" in str(done.exception)
    assert home.store.read_bytes() == body
    home.store.unlink()
    done = home.run("restore", str(backup))
    assert "archive already; name another place" in str(done.exception)


def test_what_stood_there_is_kept_aside(home: Home) -> None:
    backup = home.back_up()
    database = home.open()
    _take(database, slice(0, None))
    wanted = kept(database)
    database.close()
    done = home.run("restore", str(backup), "--replace")
    assert done.exit_code == 0, done.exception
    (aside,) = home.store.parent.glob("heatbook.db.before-restore-*")
    (months,) = home.store.parent.glob("archive.before-restore-*")
    assert len(list(months.glob("samples/*/*.parquet"))) == 4
    old = Database(aside, synchronous="off")
    assert kept(old) == wanted
    old.close()
    database = home.open()
    assert holds_all(database)
    database.close()


def test_beside_a_daemon_nothing_is_put_back(home: Home) -> None:
    backup = home.back_up()
    database = home.open()
    done = home.run("restore", str(backup), "--replace")
    database.close()
    assert isinstance(done.exception, StoreBusy)


def _damaged(backup: Path) -> None:
    path = backup / "heatbook.db"
    body = bytearray(path.read_bytes())
    body[len(body) // 2] ^= 1
    path.write_bytes(body)


def test_a_backup_that_is_not_whole_is_not_put_back(home: Home) -> None:
    backup = home.back_up()
    _damaged(backup)
    other = home.elsewhere()
    done = other.run("restore", str(backup))
    assert isinstance(done.exception, BackupError)
    assert "is not as it was written" in str(done.exception)
    assert not other.store.exists()


def test_what_is_damaged_on_the_way_is_found(
    home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    backup = home.back_up()
    real = files.copy

    def flipped(source: Path, folder: Path, name: str) -> Any:
        if source.name == "heatbook.db":
            _damaged(source.parent)
        return real(source, folder, name)

    other = home.elsewhere()
    monkeypatch.setattr("deploy.backup.restore.files.copy", flipped)
    done = other.run("restore", str(backup))
    assert isinstance(done.exception, BackupError)
    assert "is not read as it was written" in str(done.exception)
    assert not other.store.exists()


def test_a_backup_of_a_later_version_is_refused(home: Home) -> None:
    database = home.open()
    with database.write() as tx:
        tx.execute("INSERT INTO schema_step VALUES ('alerts', 99)")
        backup = home.folder / "later"
    database.close()
    # Only a later Heatbook makes such a backup: its own look at the store is left out here.
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(deploy.backup.make, "behind", lambda _: False)
        done = home.run("backup", "--into", str(backup))
    assert done.exit_code == 0, done.exception
    (made,) = backup.glob("heatbook-*")
    other = home.elsewhere()
    refused = other.run("restore", str(made))
    assert isinstance(refused.exception, BackupError)
    assert "from a later Heatbook" in str(refused.exception)
    assert "install that version" in str(refused.exception)
    assert not other.store.exists()


@pytest.mark.parametrize("at", range(1, 7))
def test_a_restore_that_is_cut_short_can_be_done_again(
    home: Home, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    """At each change of a name it ends; nothing of what stood there is lost, the next one is whole."""
    backup = home.back_up()
    settings = Settings.model_validate({"store": {"path": home.store}})
    calls: list[int] = []
    rename = Path.rename

    def dies(self: Path, target: Path) -> Path:
        calls.append(1)
        if len(calls) == at:
            raise KeyboardInterrupt
        return rename(self, target)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "rename", dies)
        try:
            restore(backup, settings, stamp="first", replace=True)
            cut = False
        except KeyboardInterrupt:
            cut = True
    assert cut == (at <= 5)
    restore(backup, settings, stamp="second", replace=True)
    stores = list(home.store.parent.glob("heatbook.db.before-restore-*"))
    assert stores or not cut
    database = home.open()
    assert holds_all(database)
    database.close()


def test_a_disk_without_room_is_told_before_anything_is_touched(
    home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    backup = home.back_up()
    other = home.elsewhere()
    full = shutil.disk_usage(home.folder)._replace(free=1000)
    monkeypatch.setattr("deploy.backup.restore.shutil.disk_usage", lambda _: full)
    done = other.run("restore", str(backup))
    assert isinstance(done.exception, BackupError)
    assert "has no room" in str(done.exception)
    assert {each.name for each in os.scandir(other.store.parent)} <= {
        "heatbook.toml",
        "heatbook.db.lock",
    }
