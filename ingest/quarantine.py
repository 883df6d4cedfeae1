"""What was refused: kept with its reason and its bytes, so that it can be mended and taken in.

Bounded in rows and in bytes; what is too much is the oldest of the truck that holds the most, and is
counted: a gateway that floods pushes out its own. The same bytes refused again for the same reason are one
entry with a count.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass

from ingest import shares
from ingest.decoded import Refused
from models.sample import SIGNALS

QUARANTINE_STEPS: tuple[tuple[str, ...], ...] = (
    (
        """
        CREATE TABLE quarantine (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            digest BLOB NOT NULL UNIQUE,
            topic TEXT NOT NULL,
            vehicle TEXT,
            reason TEXT NOT NULL,
            field TEXT NOT NULL,
            detail TEXT NOT NULL,
            raw BLOB NOT NULL,
            size INTEGER NOT NULL,
            times INTEGER NOT NULL,
            first_received_ms INTEGER NOT NULL,
            last_received_ms INTEGER NOT NULL
        ) STRICT
        """,
        """
        CREATE TABLE quarantine_total (
            id INTEGER PRIMARY KEY CHECK (id = 1),
            entries INTEGER NOT NULL,
            bytes INTEGER NOT NULL,
            refused INTEGER NOT NULL,
            dropped INTEGER NOT NULL
        ) STRICT
        """,
        "INSERT INTO quarantine_total VALUES (1, 0, 0, 0, 0)",
    ),
)

ENTRY_OVERHEAD_BYTES = 200
"""What an entry costs beside its texts: digest, numbers, index; counted towards the bound."""

LISTED_BYTES = 200
"""How much of the raw bytes a listing gives."""

_kinds = {signal.name: signal.kind for signal in SIGNALS}
_COLUMNS = "id, topic, vehicle, reason, field, detail, {raw}, length(raw), times, {times}"
_TIMES = "first_received_ms, last_received_ms"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One refused sample or payload; a listing shortens ``raw``, but not ``raw_bytes``."""

    id: int
    topic: str
    vehicle: str | None
    reason: str
    field: str
    detail: str
    raw: bytes
    raw_bytes: int
    times: int
    first_received_ms: int
    last_received_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Totals:
    """Entries and bytes held now; samples refused ever; of them, dropped for want of room."""

    entries: int
    bytes: int
    refused: int
    dropped: int


def keep(
    tx: sqlite3.Connection,
    *,
    topic: str,
    vehicle: str | None,
    refused: Refused,
    received_ms: int,
    limit_rows: int,
    limit_bytes: int,
) -> None:
    """Keep what was refused; drop the oldest of whoever holds the most until all fits within the limits."""
    # A topic is untrusted text and need not be encodable.
    topic = topic.encode("utf-8", "replace").decode()
    digest = _digest(topic, refused)
    tx.execute("UPDATE quarantine_total SET refused = refused + 1")
    known = tx.execute(
        "UPDATE quarantine SET times = times + 1, last_received_ms = ? WHERE digest = ?",
        (received_ms, digest),
    )
    if known.rowcount:
        return
    texts = (topic, vehicle, refused.reason, refused.field, refused.detail)
    size = ENTRY_OVERHEAD_BYTES + len(refused.raw)
    size += sum(len(text.encode()) for text in texts if text is not None)
    if size > limit_bytes:
        # It would push out all of its truck's, and then itself.
        tx.execute("UPDATE quarantine_total SET dropped = dropped + 1")
        return
    came = tx.execute(
        "INSERT INTO quarantine (digest, topic, vehicle, reason, field, detail, raw, size, "
        "times, first_received_ms, last_received_ms) VALUES (?, ?, ?, ?, ?, ?, ?, ?, 1, ?, ?) RETURNING id",
        (digest, *texts, refused.raw, size, received_ms, received_ms),
    )
    shares.took(tx, vehicle, came.fetchone()[0], size)
    tx.execute("UPDATE quarantine_total SET entries = entries + 1, bytes = bytes + ?", (size,))
    _make_room(tx, limit_rows, limit_bytes)


def _digest(topic: str, refused: Refused) -> bytes:
    parts = (topic.encode(), refused.reason.encode(), refused.field.encode(), refused.raw)
    digest = hashlib.sha256()
    for part in parts:
        digest.update(len(part).to_bytes(8, "big"))
        digest.update(part)
    return digest.digest()


def _make_room(tx: sqlite3.Connection, limit_rows: int, limit_bytes: int) -> None:
    while True:
        held = totals(tx)
        if held.entries <= limit_rows and held.bytes <= limit_bytes:
            return
        out = shares.next_out(tx, for_rows=held.entries > limit_rows)
        times = None if out is None else _remove(tx, out)
        if times is None:
            return
        tx.execute("UPDATE quarantine_total SET dropped = dropped + ?", (times,))


def _remove(tx: sqlite3.Connection, entry_id: int) -> int | None:
    """Take an entry away; give how many times it came, None where there is none."""
    statement = "DELETE FROM quarantine WHERE id = ? RETURNING vehicle, size, times"
    row = tx.execute(statement, (entry_id,)).fetchone()
    if row is None:
        return None
    vehicle, size, times = row
    shares.gave(tx, vehicle, size)
    tx.execute("UPDATE quarantine_total SET entries = entries - 1, bytes = bytes - ?", (size,))
    return int(times)


def keep_conflict(
    tx: sqlite3.Connection,
    *,
    vehicle: str,
    time_ms: int,
    signal: str,
    value: float,
    received_ms: int,
    limit_rows: int,
    limit_bytes: int,
    root: str = "fleet",
) -> None:
    """Keep the value that lost, of two given for one signal of one truck at one time."""
    seconds = f"{time_ms // 1000}.{time_ms % 1000:03d}"
    given = json.dumps(
        {"number": float, "integer": int, "boolean": bool}[_kinds[signal]](value)
    )
    raw = f'{{"time":{seconds},"{signal}":{given}}}'.encode()
    detail = (
        f"{signal} was sent twice for the time {seconds}, with two values; {given} was "
        f"not used; look for two gateways of one name, or a clock that was set back"
    )
    keep(
        tx,
        topic=f"{root}/{vehicle}/telemetry",
        vehicle=vehicle,
        refused=Refused(reason="conflict", field=signal, detail=detail, raw=raw),
        received_ms=received_ms,
        limit_rows=limit_rows,
        limit_bytes=limit_bytes,
    )


def listing(
    conn: sqlite3.Connection,
    *,
    vehicle: str | None = None,
    reason: str | None = None,
    limit: int = 100,
    below_id: int | None = None,
) -> list[Entry]:
    """List entries, newest first, each with the first bytes of its raw text.

    ``below_id`` goes on where an earlier listing ended.
    """
    columns = _COLUMNS.format(raw=f"substr(raw, 1, {LISTED_BYTES})", times=_TIMES)
    rows = conn.execute(
        f"SELECT {columns} FROM quarantine WHERE (?1 IS NULL OR vehicle = ?1) "  # noqa: S608 (ours)
        "AND (?2 IS NULL OR reason = ?2) AND (?3 IS NULL OR id < ?3) ORDER BY id DESC LIMIT ?4",
        (vehicle, reason, below_id, limit),
    )
    return [_entry(row) for row in rows]


def show(conn: sqlite3.Connection, entry_id: int) -> Entry | None:
    """Give one entry with all of its raw bytes."""
    columns = _COLUMNS.format(raw="raw", times=_TIMES)
    statement = f"SELECT {columns} FROM quarantine WHERE id = ?"  # noqa: S608 (ours)
    row = conn.execute(statement, (entry_id,)).fetchone()
    return None if row is None else _entry(row)


def _entry(row: tuple[int, str, str | None, str, str, str, bytes, int, int, int, int]) -> Entry:
    return Entry(
        id=row[0],
        topic=row[1],
        vehicle=row[2],
        reason=row[3],
        field=row[4],
        detail=row[5],
        raw=row[6],
        raw_bytes=row[7],
        times=row[8],
        first_received_ms=row[9],
        last_received_ms=row[10],
    )


def take(tx: sqlite3.Connection, entry_id: int) -> Entry | None:
    """Take an entry out, to be put in again as a message: what is still bad comes back here."""
    entry = show(tx, entry_id)
    if entry is not None:
        _remove(tx, entry_id)
    return entry


def drop(tx: sqlite3.Connection, entry_ids: Sequence[int]) -> int:
    """Throw entries away; give how many there were."""
    return sum(_remove(tx, entry_id) is not None for entry_id in entry_ids)


def totals(conn: sqlite3.Connection) -> Totals:
    """Give the sums over the quarantine."""
    statement = "SELECT entries, bytes, refused, dropped FROM quarantine_total"
    entries, held_bytes, refused, dropped = conn.execute(statement).fetchone()
    return Totals(entries=entries, bytes=held_bytes, refused=refused, dropped=dropped)


def forget(tx: sqlite3.Connection, *, before_ms: int, limit: int) -> int:
    """Drop entries that did not come again since a time [Unix ms], ``limit`` at most; give how many went."""
    rows = tx.execute(
        "SELECT id FROM quarantine WHERE last_received_ms < ? ORDER BY id LIMIT ?",
        (before_ms, limit),
    ).fetchall()
    return drop(tx, [key for (key,) in rows])
