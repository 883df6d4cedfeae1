"""The journal: every accepted sample, appended once and never changed, one row a message.

Months that are over lie in the archive, and their rows are gone (``ingest/sealing.py``). What is read here
joins both and says nothing of where a sample lay.
"""

from __future__ import annotations

import sqlite3
from typing import Any

from numpy.typing import NDArray

from ingest import sealed
from ingest.codec import absent, decode_all, encode, join
from ingest.merge import merge

_SPAN = "SELECT body FROM journal WHERE vehicle_id = ? AND last_ms >= ? AND first_ms <= ?"
_APPEND = (
    "INSERT INTO journal (id, vehicle_id, first_ms, last_ms, samples, received_ms, body) VALUES ("
    "1 + max(coalesce((SELECT max(id) FROM journal), 0), (SELECT id FROM journal_high)), "
    "?, ?, ?, ?, ?, ?)"
)
_ENDS = (
    "SELECT min(first_ms), max(last_ms) FROM ("
    "SELECT min(first_ms) AS first_ms, max(last_ms) AS last_ms FROM journal WHERE vehicle_id = ?1 "
    "UNION ALL SELECT min(first_ms), max(last_ms) FROM sealed WHERE vehicle_id = ?1)"
)
_OLDEST = "SELECT min(first_ms) FROM journal WHERE vehicle_id = ?"
_NEWEST = (
    "SELECT max(last_ms) FROM (SELECT max(last_ms) AS last_ms FROM journal WHERE vehicle_id = ?1 "
    "UNION ALL SELECT max(last_ms) FROM sealed WHERE vehicle_id = ?1)"
)


def append(
    tx: sqlite3.Connection, *, vehicle_id: int, samples: NDArray[Any], received_ms: int
) -> int:
    """Append samples of one truck (records ``SAMPLE``, at least one); give the row's number.

    It is above those of all rows that ever were: who goes through the journal by number misses none.
    """
    made = tx.execute(
        _APPEND,
        (
            vehicle_id,
            int(samples["time_ms"].min()),
            int(samples["time_ms"].max()),
            len(samples),
            received_ms,
            encode(samples),
        ),
    )
    return int(made.lastrowid or 0)


def span(conn: sqlite3.Connection, *, vehicle_id: int) -> tuple[int, int] | None:
    """Give the times of a truck's first and last sample, None when nothing is stored."""
    first_ms, last_ms = conn.execute(_ENDS, (vehicle_id,)).fetchone()
    return None if first_ms is None else (first_ms, last_ms)


def newest_ms(conn: sqlite3.Connection, *, vehicle_id: int) -> int | None:
    """Give the time of a truck's last sample alone: unlike ``span`` it looks at one row."""
    found: int | None = conn.execute(_NEWEST, (vehicle_id,)).fetchone()[0]
    return found


def oldest_row_ms(conn: sqlite3.Connection, *, vehicle_id: int) -> int:
    """Give the time of the first sample that a truck has in the journal itself; far off if none."""
    (found,) = conn.execute(_OLDEST, (vehicle_id,)).fetchone()
    return 2**62 if found is None else int(found)


def read(
    conn: sqlite3.Connection, *, vehicle_id: int, first_ms: int, last_ms: int
) -> NDArray[Any]:
    """Read a truck's samples from ``first_ms`` to ``last_ms``, both included, merged and in order.

    Raises
    ------
    ingest.archive.ArchiveError
        A month of it lies in the archive and cannot be read there.
    """
    parts = sealed.read(conn, vehicle_id=vehicle_id, first_ms=first_ms, last_ms=last_ms)
    parts.append(hot(conn, vehicle_id=vehicle_id, first_ms=first_ms, last_ms=last_ms))
    samples = parts[0] if len(parts) == 1 else join(parts)
    return merge(samples)[0] if len(samples) else samples


def hot(
    conn: sqlite3.Connection, *, vehicle_id: int, first_ms: int, last_ms: int
) -> NDArray[Any]:
    """Read what the journal itself has of a span, both ends included, as it came."""
    bodies = [row[0] for row in conn.execute(_SPAN, (vehicle_id, first_ms, last_ms))]
    if not bodies:
        return absent(0)
    samples = decode_all(bodies)
    times = samples["time_ms"]
    return samples[(times >= first_ms) & (times <= last_ms)]
