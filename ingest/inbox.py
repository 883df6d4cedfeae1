"""Messages that a person put in by hand, mended from quarantine: they wait in the store for the daemon."""

from __future__ import annotations

import sqlite3

from ingest.message import Message

MOST_AT_ONCE = 100


def put(tx: sqlite3.Connection, *, topic: str, payload: bytes) -> None:
    """Leave a message for the daemon; it is taken in as if the broker had brought it."""
    tx.execute("INSERT INTO inbox (topic, payload) VALUES (?, ?)", (topic, payload))


def take(tx: sqlite3.Connection) -> list[Message]:
    """Take messages out, oldest first; they are gone when the transaction commits."""
    rows = tx.execute(
        "DELETE FROM inbox WHERE id IN (SELECT id FROM inbox ORDER BY id LIMIT ?) "
        "RETURNING id, topic, payload",
        (MOST_AT_ONCE,),
    ).fetchall()
    return [Message(topic=topic, payload=payload) for _, topic, payload in sorted(rows)]


def waiting(conn: sqlite3.Connection) -> bool:
    """Say whether anything waits."""
    return bool(conn.execute("SELECT EXISTS (SELECT 1 FROM inbox)").fetchone()[0])
