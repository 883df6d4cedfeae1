"""What is of Parquet files alone: beside a move of history, and at a power cut."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest import parquet_archive
from ingest.archive import ArchiveError
from ingest.parquet_archive import ParquetArchive, Stamp
from tests.ingest.archives import contents
from tests.recorded import same_bytes

EVER = (-(2**62), 2**62)


@pytest.fixture
def archive(tmp_path: Path) -> ParquetArchive:
    return ParquetArchive(tmp_path / "archive")


@pytest.mark.parametrize("look", ["_stamp", "_forget_pages"])
def test_a_month_that_is_put_aside_while_it_is_opened_is_read_all_the_same(
    archive: ParquetArchive, monkeypatch: pytest.MonkeyPatch, look: str
) -> None:
    """A reader may know of a month that a move lets go of just then: it reads what it knows of."""
    month = contents()
    archive.keep(month)
    really = getattr(parquet_archive, look)

    def late(path: Path) -> Stamp | None:
        archive.discard(month.name)
        found: Stamp | None = really(path)
        return found

    monkeypatch.setattr(parquet_archive, look, late)
    found = archive.read(month.name, *EVER) if look == "_stamp" else archive.reread(month.name)
    assert same_bytes(found, month.samples)


def test_a_file_that_may_not_be_read_is_not_called_damaged(
    archive: ParquetArchive, monkeypatch: pytest.MonkeyPatch
) -> None:
    month = contents()
    archive.keep(month)

    def refused(path: Path) -> Stamp:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(parquet_archive, "_stamp", refused)
    with pytest.raises(ArchiveError, match=r"cannot be read \(Permission denied\); give the"):
        archive.read(month.name, *EVER)


def test_the_folder_itself_outlives_a_power_cut(
    archive: ParquetArchive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """POSIX: fsync of a file says nothing of the folders that name it (fsync(2), notes of Linux)."""
    synced: list[Path] = []
    really = parquet_archive._sync_folder

    def sync(folder: Path) -> None:
        synced.append(folder)
        really(folder)

    monkeypatch.setattr(parquet_archive, "_sync_folder", sync)
    archive.keep(contents())
    named = {path.parent for path in archive.folder.rglob("*.parquet")}
    above = {archive.folder, tmp_path, *(folder.parent for folder in named)}
    assert set(synced) >= named | above
