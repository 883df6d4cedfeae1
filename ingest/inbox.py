"""Messages that a person put in by hand, mended from quarantine: they wait in the store for the daemon."""

from __future__ import annotations

import sqlite3

from ingest.message import Message


def put(tx: sqlite3.Connection, *, topic: str, payload: bytes) -> None:
    """Leave a message for the daemon; it is taken in as if the broker had brought it."""
    tx.execute("INSERT INTO inbox (topic, payload) VALUES (?, ?)", (topic, payload))


def take(tx: sqlite3.Connection) -> list[Message]:
    """Take the oldest message out, if any; it is gone when the transaction commits."""
    rows = tx.execute(
        "DELETE FROM inbox WHERE id = (SELECT min(id) FROM inbox) RETURNING topic, payload"
    ).fetchall()
    return [Message(topic=topic, payload=payload) for topic, payload in rows]


def waiting(conn: sqlite3.Connection) -> bool:
    """Say whether anything waits."""
    return bool(conn.execute("SELECT EXISTS (SELECT 1 FROM inbox)").fetchone()[0])
