"""Samples that wait until the archive can be read: late ones of months that lie there, while it is away.

They are as they were accepted, and as safe as the journal's; only the disk bounds them. Nothing counts them
until they are folded in, and the order in which that happens makes no difference.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from numpy.typing import NDArray

from ingest.codec import decode_all, encode

POSTPONED_STEPS: tuple[tuple[str, ...], ...] = (
    (
        """
        CREATE TABLE postponed (
            id INTEGER PRIMARY KEY,
            vehicle_id INTEGER NOT NULL REFERENCES vehicle (id),
            first_ms INTEGER NOT NULL,
            samples INTEGER NOT NULL,
            received_ms INTEGER NOT NULL,
            body BLOB NOT NULL
        ) STRICT
        """,
        # All that is counted of them: whoever asks how many wait need not walk their bodies.
        "CREATE INDEX postponed_span ON postponed (vehicle_id, first_ms, samples, received_ms)",
    ),
)

AT_ONCE = 100_000
"""Samples of a truck that are taken out at once, some 20 MB; own choice."""

_PUT = (
    "INSERT INTO postponed (vehicle_id, first_ms, samples, received_ms, body) SELECT ?1, ?2, ?3, ?4, ?5 "
    "WHERE NOT EXISTS (SELECT 1 FROM postponed WHERE vehicle_id = ?1 AND first_ms = ?2 AND body = ?5)"
)
_OLDEST = "SELECT id, samples, received_ms, body FROM postponed WHERE vehicle_id = ? ORDER BY first_ms"


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """All that wait: how many samples of how many trucks, and since when [Unix ms]; None where none do."""

    samples: int
    trucks: int
    since_ms: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """What a truck has waiting, the oldest first; when the last of it came [Unix ms]."""

    samples: NDArray[Any]
    received_ms: int


def put(
    tx: sqlite3.Connection, *, vehicle_id: int, samples: NDArray[Any], received_ms: int
) -> bool:
    """Keep samples of a truck (records ``SAMPLE``, at least one); say whether they were not there yet."""
    first_ms = int(samples["time_ms"].min())
    made = tx.execute(_PUT, (vehicle_id, first_ms, len(samples), received_ms, encode(samples)))
    return made.rowcount > 0


def take(tx: sqlite3.Connection, *, vehicle_id: int, at_once: int = AT_ONCE) -> Batch | None:
    """Take out what a truck has waiting, so much at most; it is gone when the transaction commits."""
    keys: list[tuple[int]] = []
    bodies: list[bytes] = []
    count, received = 0, 0
    for key, samples, received_ms, body in tx.execute(_OLDEST, (vehicle_id,)):
        if bodies and count + samples > at_once:
            break
        keys.append((key,))
        bodies.append(body)
        count += samples
        received = max(received, received_ms)
    if not bodies:
        return None
    tx.executemany("DELETE FROM postponed WHERE id = ?", keys)
    return Batch(samples=decode_all(bodies), received_ms=received)


def has(conn: sqlite3.Connection, *, vehicle_id: int) -> bool:
    """Say whether a truck has any waiting."""
    row = conn.execute("SELECT 1 FROM postponed WHERE vehicle_id = ? LIMIT 1", (vehicle_id,))
    return row.fetchone() is not None


def first_ms(conn: sqlite3.Connection, *, vehicle_id: int) -> int | None:
    """Give the time of a truck's oldest sample that waits [Unix ms]."""
    found: int | None = conn.execute(
        "SELECT min(first_ms) FROM postponed WHERE vehicle_id = ?", (vehicle_id,)
    ).fetchone()[0]
    return found


def trucks(conn: sqlite3.Connection, *, after_id: int, limit: int) -> Sequence[int]:
    """Give the numbers of trucks that have any waiting, in order, from behind one of them."""
    rows = conn.execute(
        "SELECT DISTINCT vehicle_id FROM postponed WHERE vehicle_id > ? ORDER BY vehicle_id LIMIT ?",
        (after_id, limit),
    )
    return [vehicle_id for (vehicle_id,) in rows]


def waiting(conn: sqlite3.Connection) -> Waiting:
    """Count all that wait."""
    samples, count, since_ms = conn.execute(
        "SELECT coalesce(sum(samples), 0), count(DISTINCT vehicle_id), min(received_ms) FROM postponed"
    ).fetchone()
    return Waiting(samples=samples, trucks=count, since_ms=since_ms)
