"""What is to be sent next: samples in the order in which they were stored, as they are to be read.

A sample that shares its time with one that is stored already is sent as both merged, since a server keeps
what it is told last. A row of which that could be is one that is not later than all before it of its truck.
"""

from __future__ import annotations

import sqlite3
from collections import ChainMap
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest import journal, sealed
from ingest.archive import ArchiveError
from ingest.codec import absent, decode, join
from ingest.feed import HOUR_MS
from ingest.merge import merge

DAY_MS = 86_400_000

_ROWS = (
    "SELECT journal.id, vehicle_id, vehicle.name, first_ms, last_ms, body, samples FROM journal "
    "JOIN vehicle ON vehicle.id = vehicle_id WHERE journal.id > ? AND journal.id NOT IN "
    "(SELECT journal_id FROM feed_gathered) ORDER BY journal.id LIMIT ?"
)
_NEWEST = (
    "SELECT last_ms FROM journal WHERE vehicle_id = ?1 AND (id <= ?2 OR id IN "
    "(SELECT journal_id FROM feed_gathered)) ORDER BY last_ms DESC LIMIT 1"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """Samples of one truck that are to be sent."""

    vehicle_id: int
    vehicle: str
    samples: NDArray[Any]

    @property
    def hours(self) -> set[tuple[int, int]]:
        """The hours that they lie in: truck and time [Unix ms] of each."""
        starts = np.unique(self.samples["time_ms"] // HOUR_MS * HOUR_MS)
        return {(self.vehicle_id, start) for start in starts.tolist()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """Samples to be sent, and the row of the journal up to which all is sent with them."""

    journal_id: int
    parts: Sequence[Part]
    newest_ms: Mapping[int, int] = field(default_factory=dict)


@dataclass(slots=True)
class Rows:
    """Goes through the journal; of each truck it remembers the last time that it has seen."""

    newest_ms: dict[int, int] = field(default_factory=dict)

    def after(self, conn: sqlite3.Connection, journal_id: int, samples: int) -> Batch | None:
        """Give rows after one, about so many samples in all, at least one row; None if there is none."""
        parts: list[Part] = []
        newest = ChainMap({}, self.newest_ms)
        taken, reached = 0, journal_id
        for row in conn.execute(_ROWS, (journal_id, samples)):
            row_id, vehicle_id, vehicle, first_ms, last_ms, body, count = row
            if parts and taken + count > samples:
                break
            found = decode(body)
            if vehicle_id not in newest:  # after a start: what was sent before it
                newest[vehicle_id] = _newest_ms(conn, vehicle_id, journal_id)
            if first_ms <= newest[vehicle_id]:
                found = _merged(conn, vehicle_id, found)
            parts.append(Part(vehicle_id=vehicle_id, vehicle=vehicle, samples=found))
            newest[vehicle_id] = max(last_ms, newest[vehicle_id])
            taken, reached = taken + count, row_id
        if parts:
            return Batch(journal_id=reached, parts=parts, newest_ms=newest.maps[0])
        (end,) = conn.execute("SELECT coalesce(max(id), 0) FROM journal").fetchone()
        return Batch(journal_id=end, parts=()) if end > journal_id else None

    def sent(self, batch: Batch) -> None:
        """Remember what was sent."""
        self.newest_ms.update(batch.newest_ms)


def stretch(
    conn: sqlite3.Connection, *, vehicle_id: int, first_ms: int, end_ms: int
) -> Part | None:
    """Give a span of a truck from wherever it lies; None for a truck that is there no more.

    Raises
    ------
    ArchiveError
        It lies in the archive and cannot be read there.
    """
    row = conn.execute("SELECT name FROM vehicle WHERE id = ?", (vehicle_id,)).fetchone()
    if row is None:
        return None
    samples = journal.read(conn, vehicle_id=vehicle_id, first_ms=first_ms, last_ms=end_ms - 1)
    return Part(vehicle_id=vehicle_id, vehicle=row[0], samples=samples)


def together(parts: Sequence[Part]) -> tuple[list[str], NDArray[Any]]:
    """Put parts behind each other: the truck of each sample, and the samples."""
    names = [part.vehicle for part in parts for _ in range(len(part.samples))]
    return names, join([part.samples for part in parts]) if parts else absent(0)


def _newest_ms(conn: sqlite3.Connection, vehicle_id: int, journal_id: int) -> int:
    """Give the time of a truck's last sample that was sent [Unix ms], or is to be sent from the archive."""
    row = conn.execute(_NEWEST, (vehicle_id, journal_id)).fetchone()
    months = sealed.months(conn, vehicle_id=vehicle_id)
    times = [each.last_ms for each in months]
    return max([*times, -(2**62) if row is None else int(row[0])])


def _merged(conn: sqlite3.Connection, vehicle_id: int, samples: NDArray[Any]) -> NDArray[Any]:
    """Give samples as they are read: merged with others of the same time."""
    first_ms, last_ms = int(samples["time_ms"].min()), int(samples["time_ms"].max())
    span = {"vehicle_id": vehicle_id, "first_ms": first_ms, "last_ms": last_ms}
    known = journal.hot(conn, **span)
    if sealed.overlapping(conn, **span):
        # Where the archive cannot be read, the later of two values stands there.
        with suppress(ArchiveError):
            known = journal.read(conn, **span)
    whole = merge(known)[0]
    return whole[np.isin(whole["time_ms"], samples["time_ms"])]
