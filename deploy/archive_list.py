"""How much history each truck has, and where it lies."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from ingest import journal, sealed
from ingest.archive import Archive
from ingest.sealed import archive_of

_STORE = "SELECT count(*) FROM journal WHERE vehicle_id = ?"
_DROPPED = "SELECT until_ms FROM dropped WHERE vehicle_id = ?"


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A truck's history: its ends [Unix ms], what of it is sealed, rows of the journal beside that."""

    truck: str
    first_ms: int | None
    last_ms: int | None
    months: int
    sealed_samples: int
    bytes: int
    store_rows: int
    dropped_until_ms: int | None


def lines(conn: sqlite3.Connection) -> list[Line]:
    """Give the history of every truck that was ever heard, by name."""
    archive = None
    if conn.execute("SELECT 1 FROM sealed LIMIT 1").fetchone() is not None:
        archive = archive_of(conn)
    trucks = conn.execute("SELECT id, name FROM vehicle ORDER BY name").fetchall()
    return [_line(conn, archive, vehicle_id, name) for vehicle_id, name in trucks]


def _line(
    conn: sqlite3.Connection, archive: Archive | None, vehicle_id: int, name: str
) -> Line:
    months = sealed.months(conn, vehicle_id=vehicle_id)
    span = journal.span(conn, vehicle_id=vehicle_id)
    gone = conn.execute(_DROPPED, (vehicle_id,)).fetchone()
    return Line(
        truck=name,
        first_ms=None if span is None else span[0],
        last_ms=None if span is None else span[1],
        months=len(months),
        sealed_samples=sum(each.samples for each in months),
        bytes=sum(archive.size(each.name) for each in months) if archive is not None else 0,
        store_rows=conn.execute(_STORE, (vehicle_id,)).fetchone()[0],
        dropped_until_ms=None if gone is None else gone[0],
    )
