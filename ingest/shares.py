"""Who holds how much of the quarantine, so that what is pushed out is of whoever holds the most.

A truck's share is kept beside the entries: to find who holds the most costs the same, however many there are.
What names no truck that can be one is a share too, and a single one. Who may publish under many names that
can be trucks' has as many shares: the broker's access list must see to that.
"""

from __future__ import annotations

import sqlite3

NOBODY = ""
"""Whose share is what no truck can be named for; no truck is called so."""

SHARE_STEPS: tuple[tuple[str, ...], ...] = (
    (
        "CREATE INDEX quarantine_of ON quarantine (coalesce(vehicle, ''), id)",
        """
        CREATE TABLE quarantine_share (
            vehicle TEXT PRIMARY KEY,
            entries INTEGER NOT NULL,
            bytes INTEGER NOT NULL,
            oldest INTEGER NOT NULL
        ) STRICT, WITHOUT ROWID
        """,
        "CREATE INDEX quarantine_share_entries ON quarantine_share (entries DESC, oldest)",
        "CREATE INDEX quarantine_share_bytes ON quarantine_share (bytes DESC, oldest)",
        """
        INSERT INTO quarantine_share
        SELECT coalesce(vehicle, ''), count(*), sum(size), min(id) FROM quarantine GROUP BY 1
        """,
    ),
)


def took(tx: sqlite3.Connection, vehicle: str | None, entry_id: int, size: int) -> None:
    """Count an entry that came, the newest of all."""
    tx.execute(
        "INSERT INTO quarantine_share VALUES (?, 1, ?, ?) ON CONFLICT (vehicle) "
        "DO UPDATE SET entries = entries + 1, bytes = bytes + excluded.bytes",
        (vehicle or NOBODY, size, entry_id),
    )


def gave(tx: sqlite3.Connection, vehicle: str | None, size: int) -> None:
    """Count an entry that is gone."""
    holder = vehicle or NOBODY
    (oldest,) = tx.execute(
        "SELECT min(id) FROM quarantine WHERE coalesce(vehicle, '') = ?", (holder,)
    ).fetchone()
    if oldest is None:
        tx.execute("DELETE FROM quarantine_share WHERE vehicle = ?", (holder,))
        return
    tx.execute(
        "UPDATE quarantine_share SET entries = entries - 1, bytes = bytes - ?, oldest = ? "
        "WHERE vehicle = ?",
        (size, oldest, holder),
    )


def next_out(tx: sqlite3.Connection, *, for_rows: bool) -> int | None:
    """Give the oldest entry of whoever holds the most entries, or bytes; of equals the oldest of all."""
    most = "entries" if for_rows else "bytes"
    row = tx.execute(
        f"SELECT oldest FROM quarantine_share ORDER BY {most} DESC, oldest LIMIT 1"  # noqa: S608 (ours)
    ).fetchone()
    return None if row is None else int(row[0])
