"""Whose archive a folder is: a mark in it names the store, and no other store touches its months.

Two stores on one folder would take each other's months for what an unfinished move has left.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Protocol, runtime_checkable

import msgspec

from deploy.backup.identity import identity
from ingest.archive import Archive, ArchiveAway, ArchiveError
from ingest.parquet_archive import SAMPLES, ParquetArchive

MARK = "heatbook-archive.json"


@runtime_checkable
class Claimed(Protocol):
    """An archive that remembers by itself whose it is."""

    def claim(self, store: str) -> None:
        """Mark it as that of a store; ``ArchiveError`` when it is another's."""
        ...


class Mark(msgspec.Struct, frozen=True):
    """What the mark says: the store's own name, and where its file was when it marked the folder."""

    store: str
    path: str


def look_at(conn: sqlite3.Connection, archive: Archive) -> None:
    """Look whether an archive may be that of a store, see ``look``."""
    if isinstance(archive, ParquetArchive):
        look(archive.folder, identity(conn), _file(conn))


def claim_for(conn: sqlite3.Connection, archive: Archive) -> None:
    """Mark an archive as that of a store, see ``claim``; one that is away is not begun anew."""
    must_be_there(conn, archive)
    if isinstance(archive, ParquetArchive):
        claim(archive.folder, identity(conn), _file(conn))
    elif isinstance(archive, Claimed):
        archive.claim(identity(conn))


def must_be_there(conn: sqlite3.Connection, archive: Archive) -> None:
    """Look whether an archive of files is there that months lie in: what is mounted there may be away.

    What was written into the empty folder would lie hidden once it is back, and what was to go would stay.

    Raises
    ------
    ArchiveAway
        It is not.
    """
    if not isinstance(archive, ParquetArchive) or archive.begun:
        return
    (months,) = conn.execute("SELECT count(*) FROM sealed").fetchone()
    if months:
        raise ArchiveAway(
            f"the archive folder {archive.folder} is empty, and {months} months of trucks lie in it",
            "see that the disk or share it lies on is there, or put it back from a backup; if it is lost for "
            f"good, make the folder {archive.folder / SAMPLES} anew",
        )


def look(folder: Path, ours: str, store: Path) -> None:
    """Look whether a folder may be the archive of a store.

    Raises
    ------
    ArchiveError
        It is another store's.
    """
    mark = _read(folder)
    if mark is None or not ours:
        return
    if mark.store != ours:
        raise ArchiveError(
            f"the archive folder {folder} belongs to another store ({mark.path})",
            f"name another [archive] folder; or, if that store is gone for good, remove {folder / MARK}",
        )
    other = Path(mark.path)
    if not _same(other, store) and _identity_at(other) == ours:
        raise ArchiveError(
            f"the archive folder {folder} is that of {other}, of which {store} is a copy",
            "give one of the two another [archive] folder, with a copy of what is in this one",
        )


def claim(folder: Path, ours: str, store: Path) -> None:
    """Mark a folder as the archive of a store; it is made when missing.

    Raises
    ------
    ArchiveError
        It is another store's.
    """
    look(folder, ours, store)
    mark = Mark(store=ours, path=str(store.resolve()))
    if not ours or _read(folder) == mark:
        return
    unfinished = folder / f"{MARK}.unfinished"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with unfinished.open("wb") as file:
            file.write(msgspec.json.encode(mark) + b"\n")
            file.flush()
            os.fsync(file.fileno())
        unfinished.replace(folder / MARK)
    except OSError:
        return  # months cannot be written there either, and that is told


def _file(conn: sqlite3.Connection) -> Path:
    return Path(
        next(file for _, name, file in conn.execute("PRAGMA database_list") if name == "main")
    )


def _read(folder: Path) -> Mark | None:
    try:
        return msgspec.json.decode((folder / MARK).read_bytes(), type=Mark)
    except OSError:
        return None
    except msgspec.MsgspecError as error:
        raise ArchiveError(
            f"the mark {folder / MARK} cannot be read ({error})",
            "remove it if this archive belongs to this store",
        ) from error


def _same(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:
        return False


def _identity_at(store: Path) -> str:
    """Give the own name of a store elsewhere, nothing where none can be read."""
    if not store.exists():
        return ""
    try:
        with closing(sqlite3.connect(f"file:{store}?mode=ro", uri=True)) as conn:
            return identity(conn)
    except sqlite3.Error:
        return ""
