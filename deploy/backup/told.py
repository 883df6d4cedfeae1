"""Backups as the store remembers them."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

KEPT = 100
"""So many backups are remembered."""

_ADD = (
    "INSERT INTO backup_made (as_of_ms, done_ms, folder, bytes, months) VALUES (?, ?, ?, ?, ?)"
)
_LAST = (
    "SELECT as_of_ms, done_ms, folder, bytes, months FROM backup_made ORDER BY id DESC LIMIT 1"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LastBackup:
    """A backup that was finished: ``as_of_ms`` is the moment of the store that it holds."""

    as_of_ms: int
    done_ms: int
    folder: str
    bytes: int
    months: int


def last_backup(conn: sqlite3.Connection) -> LastBackup | None:
    """Give the last backup that was made, None if none ever was."""
    row = conn.execute(_LAST).fetchone()
    if row is None:
        return None
    as_of_ms, done_ms, folder, size, months = row
    return LastBackup(
        as_of_ms=as_of_ms, done_ms=done_ms, folder=folder, bytes=size, months=months
    )


def note_backup(tx: sqlite3.Connection, made: LastBackup) -> None:
    """Write down that a backup is made."""
    number = tx.execute(
        _ADD, (made.as_of_ms, made.done_ms, made.folder, made.bytes, made.months)
    ).lastrowid
    tx.execute("DELETE FROM backup_made WHERE id <= ?", (int(number or 0) - KEPT,))
