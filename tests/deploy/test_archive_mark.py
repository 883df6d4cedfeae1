"""Two stores on one archive folder: the second is refused, and no month of the first is touched."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from deploy.archive_mark import MARK
from deploy.database import Database
from deploy.history_keeper import history_move
from deploy.settings import Settings
from ingest.archive import ArchiveError
from models.fleet import Fleet
from tests.deploy.backed_up import Home
from tests.deploy.test_history_move import NOW_MS, filled, holds_all


def _settings(store: Path, archive: Path) -> Settings:
    return Settings.model_validate({"store": {"path": store}, "archive": {"folder": archive}})


def _move(database: Database, archive: Path) -> None:
    settings = _settings(database.path, archive)
    moved = history_move(settings, Fleet(), database, now_ms=lambda: NOW_MS).run()
    assert moved.problems == []


def _months(archive: Path) -> set[Path]:
    return set(archive.rglob("*.parquet"))


def test_a_second_store_on_the_folder_is_refused_with_a_clear_word(tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    one, two = (Database(tmp_path / f"{name}.db", synchronous="off") for name in ("one", "two"))
    for database in (one, two):
        filled(
            database
        )  # of the same trucks: to a move each month of the other looks like its own
    _move(one, archive)
    months = _months(archive)
    assert months
    with pytest.raises(ArchiveError, match=r"belongs to another store .*one\.db"):
        _move(two, archive)
    assert _months(archive) == months
    _move(one, archive)
    assert holds_all(one)
    assert holds_all(two)
    # Gone for good: with the mark removed the other may have it, and the months are its own.
    one.close()
    (archive / MARK).unlink()
    _move(two, archive)
    assert holds_all(two)
    two.close()


def test_a_copy_of_the_store_on_the_same_folder_is_refused(home: Home, tmp_path: Path) -> None:
    archive = home.store.parent / "archive"
    original = home.open()
    _move(original, archive)
    original.close()
    shutil.copy(home.store, tmp_path / "copy.db")
    copy = Database(tmp_path / "copy.db", synchronous="off")
    with pytest.raises(ArchiveError, match="is a copy"):
        _move(copy, archive)
    # The store itself has gone elsewhere: then the one that is left is it.
    home.store.unlink()
    _move(copy, archive)
    assert holds_all(copy)
    copy.close()


def test_a_folder_that_moves_with_its_store_is_known_again(home: Home, tmp_path: Path) -> None:
    database = home.open()
    _move(database, Path("archive"))
    database.close()
    home.store.parent.rename(tmp_path / "moved")
    database = Database(tmp_path / "moved" / "heatbook.db", synchronous="off")
    _move(database, Path("archive"))
    assert holds_all(database)
    database.close()


def test_a_mark_that_cannot_be_read_is_told(home: Home) -> None:
    (home.store.parent / "archive" / MARK).write_text("junk")
    database = home.open()
    with pytest.raises(ArchiveError, match="remove it if this archive belongs to this store"):
        _move(database, Path("archive"))
    database.close()
