"""Months in the archive that the store does not count: what a move that died has left, or more than that.

Such a month may go where the store holds all of its samples, or has dropped their time. Where it holds
others, the store was put back from an older backup, and nothing is removed.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from ingest import dropped, journal
from ingest.archive import Archive, ArchiveError
from ingest.merge import fresh_rows


@dataclass(frozen=True, slots=True, kw_only=True)
class Orphan:
    """A month that does not count; ``problem`` says why it must stay, None where it may go."""

    name: str
    problem: str | None


def find(conn: sqlite3.Connection, archive: Archive) -> list[Orphan]:
    """Find the months that the archive keeps and the store does not count."""
    counting = {name for (name,) in conn.execute("SELECT name FROM sealed")}
    return [
        Orphan(name=name, problem=_problem(conn, archive, name))
        for name in archive.names()
        if name not in counting
    ]


def _problem(conn: sqlite3.Connection, archive: Archive, name: str) -> str | None:
    vehicle = name.removeprefix("vehicle=").rpartition("/")[0]
    row = conn.execute("SELECT id FROM vehicle WHERE name = ?", (vehicle,)).fetchone()
    try:
        samples = archive.reread(name)
    except ArchiveError as error:
        return f"{error.what}, and the store does not count it; look at it and remove it"
    if row is None:
        return _foreign(name, len(samples))
    first_ms, last_ms = int(samples["time_ms"][0]), int(samples["time_ms"][-1])
    if last_ms <= dropped.until_ms(conn, row[0]):
        return None
    known = journal.read(conn, vehicle_id=row[0], first_ms=first_ms, last_ms=last_ms)
    fresh = int(fresh_rows(known, samples).sum())
    return _foreign(name, fresh) if fresh else None


def _foreign(name: str, samples: int) -> str:
    return (
        f"the archive holds {name} with {samples} samples that the store does not know: was the store put "
        "back from an older backup? Put the archive of that time back too, or move the file away"
    )
