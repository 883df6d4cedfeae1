"""Putting a backup back: copied beside its place, compared, and only then in its place, all of it.

What stood there is kept under another name. Nobody may write to the store meanwhile. ``replacing`` changes
the names, so that a crash leaves no place half done.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from alerts.phrases import size_words
from deploy import private
from deploy.backup import files, manifest, replacing
from deploy.backup.manifest import ARCHIVE, STORE, BackupError, Part
from deploy.backup.replacing import Move, Settled
from deploy.database import claimed
from deploy.settings import Settings
from ingest.sealed import PARQUET, move_place

RESTORING = ".restoring"
"""What the names of files end with until they are in their place."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored:
    """Where store and archive stand now, and what stood there before and is kept aside.

    ``settled``: what became of an earlier restore that had been cut short.
    """

    store: Path
    archive: Path
    aside: tuple[Path, ...]
    settled: Settled | None = None


def restore(
    folder: Path,
    settings: Settings,
    *,
    stamp: str,
    replace: bool,
    without: frozenset[str] = frozenset(),
) -> Restored:
    """Put the store and the archive of a backup that was verified where the settings have them.

    ``stamp`` names what is kept aside; ``without`` names files of the backup that are left out.

    Raises
    ------
    BackupError
        A store or an archive stands there and is not to be replaced, or what was copied is not the same.
    deploy.database.StoreError
        An earlier restore was cut short and cannot be finished; ``StoreBusy``: a daemon writes to the store
        that stands there.
    """
    store = settings.store.path
    archive = store.parent / settings.archive.folder
    told = manifest.read(folder)
    parts = [part for part in told.parts if part.path not in without]
    with claimed(store):
        settled = replacing.settle(store)
        if not replace:
            _refuse_standing(store, archive, settled)
        _room(store, archive, parts)
        try:
            _copied(folder, parts, store, archive, str(settings.archive.folder))
            aside = _replaced(store, archive, stamp)
        except OSError as error:
            raise BackupError(
                f"the backup cannot be put back ({error.strerror or error}: {error.filename}); make room, or "
                "give this user the right to write; then do it again: one that was begun is finished first"
            ) from error
    return Restored(store=store, archive=archive, aside=tuple(aside), settled=settled)


def _refuse_standing(store: Path, archive: Path, settled: Settled | None) -> None:
    standing = [f"store {store}"] if store.exists() else []
    standing += [f"folder {archive}"] if archive.exists() and any(archive.iterdir()) else []
    if standing:
        before = "" if settled is None else f"{settled.words}. Now "
        raise BackupError(
            f"{before}there is a {' and a '.join(standing)} already; name another place in the settings, or "
            "say --replace: what is there is kept beside it under another name"
        )


def _room(store: Path, archive: Path, parts: Iterable[Part]) -> None:
    sizes = {store.parent: 0, _standing(archive): 0}
    for part in parts:
        if part.path == STORE:
            sizes[store.parent] += part.bytes
        elif part.path.startswith(f"{ARCHIVE}/"):
            sizes[_standing(archive)] += part.bytes
    for disk, need in sizes.items():
        if shutil.disk_usage(disk).free < need:
            raise BackupError(f"{disk} has no room for {size_words(need)}; make room there")


def _standing(folder: Path) -> Path:
    """Give the nearest folder above that exists."""
    while not folder.exists():
        folder = folder.parent
    return folder


def _copied(
    folder: Path, parts: Iterable[Part], store: Path, archive: Path, where: str
) -> None:
    """Copy everything beside its place and compare it with what the backup says of it."""
    new_store, new_archive = _beside(store), _beside(archive)
    # The journal of a copy that was cut short would be rolled back into this one.
    for left in (new_store, new_store.with_name(f"{new_store.name}-journal")):
        left.unlink(missing_ok=True)
    shutil.rmtree(new_archive, ignore_errors=True)
    for part in parts:
        if part.path == STORE:
            private.make_file(new_store)
            _compare(part, files.copy(folder / STORE, store.parent, new_store.name))
        elif part.path.startswith(f"{ARCHIVE}/"):
            name = part.path.removeprefix(f"{ARCHIVE}/")
            _compare(part, files.copy(folder / part.path, new_archive, name))
    with closing(sqlite3.connect(new_store, isolation_level=None)) as conn:
        (found,) = conn.execute("PRAGMA quick_check(1)").fetchone()
        move_place(conn, where, kind=PARQUET)
    if found != "ok":
        raise BackupError(
            f"what was copied to {new_store} is damaged ({found}); look at that disk"
        )
    files.sync(new_store)
    if new_archive.exists():
        files.sync_tree(new_archive)


def _compare(part: Part, copied: Part) -> None:
    if copied.sha256 != part.sha256:
        raise BackupError(
            f"{part.path} is not read as it was written into the backup; take another backup, and look at "
            "that disk"
        )


def _replaced(store: Path, archive: Path, stamp: str) -> list[Path]:
    """Put what stands there aside, and the new in its place; give what is kept."""
    aside: list[Move] = []
    kept = f".before-restore-{stamp}"
    if archive.exists() and any(archive.iterdir()):
        aside.append((archive, archive.with_name(archive.name + kept)))
    aside.extend(
        (standing, store.with_name(store.name + kept + end))
        for end in (
            "-wal",
            "",
        )  # a store is found with its log by its name; its index is made anew
        if (standing := store.with_name(store.name + end)).exists()
    )
    into: list[Move] = [(_beside(store), store)]
    if (new_archive := _beside(archive)).exists():
        into.insert(0, (new_archive, archive))
    replacing.replace(store, aside=aside, into=into)
    return [to for _, to in aside]


def _beside(path: Path) -> Path:
    return path.with_name(path.name + RESTORING)
