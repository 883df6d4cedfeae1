"""A copy of the store at one moment, beside whoever writes to it.

SQLite's backup interface copies pages in small steps out of one read transaction: what is committed
meanwhile goes to the store's log, which cannot be folded back so long. So the log is watched: when it
grows the copy no longer pauses, and when it grows far the copy is given up.
"""

from __future__ import annotations

import os
import sqlite3
import time
from contextlib import closing
from pathlib import Path

from alerts.phrases import size_words
from deploy import private
from deploy.backup.manifest import BackupError

PAGES = 1024
"""Pages of 4 kB that are copied in one step."""

PAUSE_S = 0.002
"""How long the copy waits after each step [s], so that the disk is not its alone."""

HURRY_BYTES = 64_000_000
"""Size of the store's log from which the copy waits no more."""

LIMIT_BYTES = 1_000_000_000
"""Size of the store's log at which the copy is given up."""

FOLD_BYTES = 16_000_000
"""Size of the store's log from which it is folded back after the copy."""


def snapshot(store: Path, target: Path, *, limit_bytes: int = LIMIT_BYTES) -> None:
    """Copy a store; ``target`` is one file then, without a log, and safe on its disk.

    Raises
    ------
    BackupError
        The store's log grew too far meanwhile; nothing of the store was changed.
    """
    log = store.with_name(store.name + "-wal")

    def pace(_status: int, _left: int, _total: int) -> None:
        size = _size(log)
        if size > limit_bytes:
            raise BackupError(
                f"while the store was copied its log grew to {size_words(size)} and the copy was given "
                "up: the disk of the backup is slower than what comes in; try at a quieter hour, or "
                "onto another disk"
            )
        if size < HURRY_BYTES:
            time.sleep(PAUSE_S)

    private.make_file(target)
    with (
        closing(
            sqlite3.connect(f"file:{store}?mode=ro", uri=True, isolation_level=None)
        ) as source,
        closing(sqlite3.connect(target, isolation_level=None)) as copy,
    ):
        source.execute("PRAGMA busy_timeout=5000")
        source.execute("BEGIN")
        source.execute(
            "SELECT count(*) FROM sqlite_schema"
        ).fetchone()  # from here on one moment
        copy.execute("PRAGMA synchronous=off")
        source.backup(copy, pages=PAGES, progress=pace)
        copy.execute("PRAGMA journal_mode=delete")
    with target.open("rb") as file:
        os.fsync(file.fileno())
    if _size(log) > FOLD_BYTES:
        _fold(store)


def _fold(store: Path) -> None:
    """Fold the log back into the store, as far as that goes without keeping anybody waiting."""
    with closing(sqlite3.connect(store, isolation_level=None, timeout=0.5)) as conn:
        try:
            conn.execute("PRAGMA wal_checkpoint(PASSIVE)")
            conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        except sqlite3.OperationalError:
            return  # somebody reads or writes: the store's own next commit does it


def _size(file: Path) -> int:
    try:
        return file.stat().st_size
    except OSError:
        return 0
