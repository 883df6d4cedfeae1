"""A store's own name, by which its backups and its archive know it."""

from __future__ import annotations

import sqlite3


def identity(conn: sqlite3.Connection) -> str:
    """Give the name that the store was given when it was made; it stays through backup and restore.

    A store of before names has none: ``""``.
    """
    known = conn.execute("SELECT 1 FROM sqlite_schema WHERE name = 'store_identity'").fetchone()
    row = conn.execute("SELECT id FROM store_identity").fetchone() if known else None
    return "" if row is None else str(row[0])
