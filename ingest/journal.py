"""The journal: every accepted sample, appended once and never changed, one row a message."""

from __future__ import annotations

import sqlite3
from typing import Any

from numpy.typing import NDArray

from ingest.codec import absent, decode_all, encode
from ingest.merge import merge

_SPAN = "SELECT body FROM journal WHERE vehicle_id = ? AND last_ms >= ? AND first_ms <= ? ORDER BY id"


def append(
    tx: sqlite3.Connection, *, vehicle_id: int, samples: NDArray[Any], received_ms: int
) -> None:
    """Append samples of one truck (records ``SAMPLE``, at least one)."""
    tx.execute(
        "INSERT INTO journal (vehicle_id, first_ms, last_ms, samples, received_ms, body) "
        "VALUES (?, ?, ?, ?, ?, ?)",
        (
            vehicle_id,
            int(samples["time_ms"].min()),
            int(samples["time_ms"].max()),
            len(samples),
            received_ms,
            encode(samples),
        ),
    )


def span(conn: sqlite3.Connection, *, vehicle_id: int) -> tuple[int, int] | None:
    """Give the times of a truck's first and last sample, None when nothing is stored."""
    first_ms, last_ms = conn.execute(
        "SELECT min(first_ms), max(last_ms) FROM journal WHERE vehicle_id = ?", (vehicle_id,)
    ).fetchone()
    return None if first_ms is None else (first_ms, last_ms)


def read(
    conn: sqlite3.Connection, *, vehicle_id: int, first_ms: int, last_ms: int
) -> NDArray[Any]:
    """Read a truck's samples from ``first_ms`` to ``last_ms``, both included, merged and in order."""
    bodies = [row[0] for row in conn.execute(_SPAN, (vehicle_id, first_ms, last_ms))]
    if not bodies:
        return absent(0)
    samples = decode_all(bodies)
    times = samples["time_ms"]
    samples = samples[(times >= first_ms) & (times <= last_ms)]
    return merge(samples)[0] if len(samples) else samples
