"""Of a backup with problems what is whole can be put back, when that is asked for, and never a bad store."""

from __future__ import annotations

from pathlib import Path

import pytest

from deploy.backup.manifest import BackupError
from ingest.archive import ArchiveError
from tests.deploy.backed_up import Home
from tests.deploy.store import Kept, kept
from tests.deploy.test_history_move import holds_all


def _month(home: Home) -> str:
    """Name the first month of a truck as the archive does: with a part of its hash."""
    samples = home.store.parent / "archive" / "samples"
    (found,) = samples.glob("vehicle=NF-01/2026-01*.parquet")
    return found.relative_to(samples).as_posix().removesuffix(".parquet")


@pytest.fixture
def then(home: Home) -> Kept:
    database = home.open()
    found = kept(database)
    database.close()
    return found


def _flip(path: Path) -> None:
    body = bytearray(path.read_bytes())
    body[len(body) // 2] ^= 1
    path.write_bytes(body)


def _files(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*.parquet")}


def _of_month(name: str) -> set[str]:
    return {f"{kind}/{name}.parquet" for kind in ("samples", "minutes", "hours")}


def _said(home: Home, *words: str) -> str:
    done = home.run(*words)
    assert done.exit_code == 0, (done.output, done.exception)
    return " ".join(done.output.split())


def test_a_month_that_is_damaged_is_left_out_and_all_else_put_back(
    home: Home, then: Kept
) -> None:
    month = _month(home)
    backup = home.back_up()
    whole = _files(home.store.parent / "archive")
    _flip(backup / "archive" / "samples" / f"{month}.parquet")
    other = home.elsewhere()
    refused = other.run("restore", str(backup))
    assert isinstance(refused.exception, BackupError)
    assert "Its store is whole, and 3 of 4 months: --sound-only puts these back" in str(
        refused.exception
    )
    assert not other.store.exists()

    said = _said(other, "restore", str(backup), "--sound-only")
    assert "is not as it was written" in said
    assert said.count("Left out: ") == 1
    assert "Left out: 2026-01 of NF-01." in said
    archive = other.store.parent / "archive"
    assert _files(archive) == whole - _of_month(month)
    database = other.open()
    assert kept(database) == then
    with pytest.raises(ArchiveError, match="is missing"):
        holds_all(database)
    database.close()

    # It says which file it is; with that from elsewhere all is there.
    good = home.store.parent / "archive" / "samples" / f"{month}.parquet"
    (archive / "samples" / f"{month}.parquet").parent.mkdir(parents=True, exist_ok=True)
    (archive / "samples" / f"{month}.parquet").write_bytes(good.read_bytes())
    assert "makes missing sums anew" in said
    _said(other, "history", "verify", "--mend")
    database = other.open()
    assert holds_all(database)
    database.close()
    assert _files(archive) == whole


def test_sums_that_are_damaged_are_left_out_alone(home: Home, then: Kept) -> None:
    month = _month(home)
    backup = home.back_up()
    whole = _files(home.store.parent / "archive")
    _flip(backup / "archive" / "minutes" / f"{month}.parquet")
    other = home.elsewhere()
    said = _said(other, "restore", str(backup), "--sound-only")
    assert said.count("Left out: ") == 1
    assert "Left out: the sums of 2026-01 of NF-01; its samples are there." in said
    archive = other.store.parent / "archive"
    assert _files(archive) == whole - _of_month(month) | {f"samples/{month}.parquet"}
    database = other.open()
    assert holds_all(database)
    assert kept(database) == then
    database.close()


def test_a_backup_that_was_made_without_a_month_can_be_put_back_beside_what_stands(
    home: Home, then: Kept
) -> None:
    month = _month(home)
    (home.store.parent / "archive" / "samples" / f"{month}.parquet").unlink()
    made = home.run("backup", "--into", str(home.backups))
    assert made.exit_code == 1
    backup = home.newest()
    assert isinstance(home.run("restore", str(backup), "--replace").exception, BackupError)
    said = _said(home, "restore", str(backup), "--replace", "--sound-only")
    assert "Left out: 2026-01 of NF-01." in said
    assert "What stood there is kept as" in said
    database = home.open()
    assert kept(database) == then
    database.close()


@pytest.mark.parametrize("damage", ["flipped", "cut", "gone", "no store"])
def test_a_store_that_is_not_whole_is_never_put_back(home: Home, damage: str) -> None:
    backup = home.back_up()
    store = backup / "heatbook.db"
    if damage == "flipped":
        _flip(store)
    elif damage == "cut":
        store.write_bytes(store.read_bytes()[:-4096])
    elif damage == "gone":
        store.unlink()
    else:
        store.write_bytes(b"not a store" * 1000)
    other = home.elsewhere()
    done = other.run("restore", str(backup), "--sound-only")
    assert isinstance(done.exception, BackupError)
    assert "is not whole, and nothing is put back without it" in str(done.exception)
    assert not other.store.exists()
    assert not (other.store.parent / "archive").exists()
    plain = str(other.run("restore", str(backup)).exception)
    assert "is not whole" in plain
    assert "--sound-only" not in plain


def test_of_a_whole_backup_nothing_is_left_out(home: Home, then: Kept) -> None:
    backup = home.back_up()
    other = home.elsewhere()
    said = _said(other, "restore", str(backup), "--sound-only")
    assert "Left out" not in said
    database = other.open()
    assert holds_all(database)
    assert kept(database) == then
    database.close()
