"""Before a store of an earlier version is brought forward, a copy of it is kept beside it.

The steps are one transaction: a crash leaves the store as it was or brought forward, never between. The
copy is for going back to the earlier version.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Mapping
from pathlib import Path

from alerts.phrases import size_words
from deploy.backup.manifest import BackupError
from deploy.backup.snapshot import snapshot
from deploy.store_error import StoreError

KEPT = 2
"""So many copies of earlier versions stay beside a store."""

ROOM = 2.0
"""How much room must be free, as a multiple of the store: for the copy, and for the steps themselves."""

_BEFORE = ".before-"
_UNFINISHED = ".unfinished"


def steps_done(conn: sqlite3.Connection) -> dict[str, int]:
    """Count the steps of each package that a store has taken; nothing for one that is new."""
    table = conn.execute("SELECT 1 FROM sqlite_schema WHERE name = 'schema_step'").fetchone()
    if table is None:
        return {}
    rows = conn.execute("SELECT package, count(*) FROM schema_step GROUP BY package")
    return dict(rows.fetchall())


def keep_before(conn: sqlite3.Connection, path: Path, known: Mapping[str, int]) -> Path | None:
    """Copy a store that has steps to take; give the copy, None where there is nothing to keep.

    Raises
    ------
    StoreError
        There is no room for it, or it cannot be written; the store is as it was.
    """
    done = steps_done(conn)
    ahead = any(steps > known.get(package, 0) for package, steps in done.items())
    if not done or done == known or ahead:
        return None
    name = "-".join(f"{package}{done[package]}" for package in known if package in done)
    copy = path.with_name(f"{path.name}{_BEFORE}{name}")
    unfinished = copy.with_name(copy.name + _UNFINISHED)
    need = round(ROOM * path.stat().st_size)
    free = shutil.disk_usage(path.parent).free
    if free < need:
        raise StoreError(
            f"the store {path} is of an earlier Heatbook and is to be brought forward, but {path.parent} has "
            f"{size_words(free)} left and that takes some {size_words(need)} (a copy of it is kept); "
            "make room there, or start the earlier version"
        )
    try:
        unfinished.unlink(missing_ok=True)
        snapshot(path, unfinished)
        unfinished.replace(copy)
        _sync(path.parent)
    except (OSError, sqlite3.Error, BackupError) as error:
        raise StoreError(
            f"the store {path} is of an earlier Heatbook and cannot be copied before it is brought forward: "
            f"{error}; it is as it was"
        ) from error
    return copy


def forget_older(path: Path) -> None:
    """Remove the copies of earlier versions but the last ones, and what a crash has left."""
    for left in path.parent.glob(f"{path.name}{_BEFORE}*{_UNFINISHED}"):
        left.unlink(missing_ok=True)
    for old in copies(path)[KEPT:]:
        old.unlink(missing_ok=True)


def copies(path: Path) -> list[Path]:
    """Give the copies of earlier versions that lie beside a store, the newest first."""
    found = (
        each
        for each in path.parent.glob(f"{path.name}{_BEFORE}*")
        if not each.name.startswith(f"{path.name}{_BEFORE}restore-")
    )
    return sorted(found, key=lambda each: each.stat().st_mtime_ns, reverse=True)


def _sync(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
