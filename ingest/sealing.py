"""Months go from the journal to the archive, and a piece of history that is too old goes for good.

A month is written, made safe, read back and compared; then its row counts (``enroll``); only then its rows of
the journal go, a few at a time. Between any two of these steps a sample lies in one place or in
both, and reading merges both, so that a process that dies there loses nothing and doubles nothing: the
next move finds the rows that are left and goes on. Late samples of a sealed month wait in the journal; the
next move makes a new generation of the month that holds them.

What stays in the journal is gathered: the rows of a day that is over, one a message, become one row. That is
one transaction, and the samples are the same.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest import feed, journal, sealed
from ingest.archive import Archive, ArchiveError, Contents, Month, canonical
from ingest.codec import decode, join
from ingest.merge import merge
from ingest.rollup import HOUR_MS, MINUTE_MS, between, rollup
from ingest.sealed import Sealed

SLICE_ROWS = 1000
"""Rows of the journal that go in one transaction: all else that writes waits for it."""

DAY_MS = 86_400_000

STEPS_MS = (MINUTE_MS, HOUR_MS)
"""Lengths of the buckets that a month is summed up by [ms]."""

FEW_ROWS = 4
"""A day that lies in so many rows may stay so: some samples came late. Gathering it would win nothing."""

_DAYS = (
    "SELECT last_ms / ?3 AS day FROM journal WHERE vehicle_id = ?1 AND last_ms < ?2 "
    "GROUP BY day HAVING count(*) > ?4 ORDER BY day"
)
_NEXT = (
    "SELECT min(max(first_ms, ?2)) FROM journal "
    "WHERE vehicle_id = ?1 AND last_ms >= ?2 AND first_ms < ?3"
)
_ROWS = (
    "SELECT id FROM journal WHERE vehicle_id = ? AND last_ms >= ? AND first_ms < ? ORDER BY id"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """A month as it is to be sealed: what it holds, what stood for it before, which rows it takes over."""

    vehicle_id: int
    contents: Contents
    before: Sealed | None
    rows: Sequence[int]

    @property
    def new(self) -> bool:
        """Whether it says what the archive does not say yet."""
        before, after = self.before, self.contents
        return before is None or (before.digest, before.max_gap_ms) != (
            after.digest,
            after.max_gap_ms,
        )

    def sealed(self, sealed_ms: int) -> Sealed:
        """Give the row that lets it count."""
        samples = self.contents.samples
        return Sealed(
            vehicle_id=self.vehicle_id,
            month=str(self.contents.month),
            name=self.contents.name,
            digest=self.contents.digest,
            samples=len(samples),
            first_ms=int(samples["time_ms"][0]),
            last_ms=int(samples["time_ms"][-1]),
            max_gap_ms=self.contents.max_gap_ms,
            sealed_ms=sealed_ms,
        )


def next_month(
    conn: sqlite3.Connection, *, vehicle_id: int, from_ms: int, before_ms: int
) -> Month | None:
    """Give the first month from ``from_ms`` on, over by ``before_ms``, of which the journal has rows."""
    (first_ms,) = conn.execute(_NEXT, (vehicle_id, from_ms, before_ms)).fetchone()
    if first_ms is None:
        return None
    month = Month.of(first_ms)
    return month if month.end_ms <= before_ms else None


def draft(
    conn: sqlite3.Connection, *, vehicle_id: int, month: Month, max_gap_ms: int
) -> Draft | None:
    """Read a truck's month from journal and archive; None where it has no sample.

    Raises
    ------
    ArchiveError
        What the archive holds of it already cannot be read.
    """
    found = journal.read(
        conn,
        vehicle_id=vehicle_id,
        first_ms=month.first_ms - max_gap_ms,
        last_ms=month.end_ms - 1 + max_gap_ms,
    )
    contents = _contents(conn, vehicle_id, month, found, max_gap_ms)
    if len(contents.samples) == 0:
        return None
    rows = conn.execute(_ROWS, (vehicle_id, month.first_ms, month.end_ms)).fetchall()
    return Draft(
        vehicle_id=vehicle_id,
        contents=contents,
        before=sealed.find(conn, vehicle_id=vehicle_id, month=str(month)),
        rows=[row[0] for row in rows],
    )


def left_over(conn: sqlite3.Connection, *, vehicle_id: int, month: Month) -> list[int]:
    """Find rows of the journal that hold of a sealed month only what the archive has: a move was cut short.

    Raises
    ------
    ArchiveError
        The month cannot be read.
    """
    last_ms = month.end_ms - 1
    rows = conn.execute(_ROWS, (vehicle_id, month.first_ms, month.end_ms)).fetchall()
    if not rows:
        return []
    kept = canonical(
        join(sealed.read(conn, vehicle_id=vehicle_id, first_ms=month.first_ms, last_ms=last_ms))
    )
    found = []
    for row in rows:
        (body,) = conn.execute("SELECT body FROM journal WHERE id = ?", row).fetchone()
        samples = decode(body)
        times = samples["time_ms"]
        within = canonical(samples[(times >= month.first_ms) & (times <= last_ms)])
        places = np.searchsorted(kept["time_ms"], within["time_ms"])
        there = len(within) > 0 and bool(np.all(places < len(kept)))
        if there and kept[places].tobytes() == within.tobytes():
            found.append(int(row[0]))
    return found


def keep(archive: Archive, contents: Contents) -> None:
    """Put a month into the archive, read it back and compare it bit for bit.

    Raises
    ------
    ArchiveError
        It could not be written, or what is read back is not what was written.
    """
    archive.keep(contents)
    if archive.reread(contents.name).tobytes() != contents.samples.tobytes():
        raise ArchiveError(
            f"{contents.name} is not read back from the archive as it was written",
            "look at its disk; the samples stay in the store",
        )


def clear(tx: sqlite3.Connection, rows: Sequence[int], *, month: Month) -> None:
    """Take rows of a sealed month out of the journal; what they hold of other months stays.

    What was still to be fed to a server is fed from the archive then.
    """
    if feed.unsent(tx, rows):
        (vehicle_id,) = tx.execute(
            "SELECT vehicle_id FROM journal WHERE id = ?", (rows[0],)
        ).fetchone()
        feed.again(tx, vehicle_id=vehicle_id, first_ms=month.first_ms, end_ms=month.end_ms)
    _cut_out(tx, rows, month.first_ms, month.end_ms)


def scattered_days(conn: sqlite3.Connection, *, vehicle_id: int, before_ms: int) -> list[int]:
    """Give the starts [Unix ms] of days, over by ``before_ms``, that lie in many rows of the journal."""
    rows = conn.execute(_DAYS, (vehicle_id, before_ms // DAY_MS * DAY_MS, DAY_MS, FEW_ROWS))
    return [day * DAY_MS for (day,) in rows.fetchall()]


def gather(tx: sqlite3.Connection, *, vehicle_id: int, day_ms: int) -> None:
    """Put the rows that a truck has of one day together into one, which reads many times as fast."""
    end_ms = day_ms + DAY_MS
    rows = [row[0] for row in tx.execute(_ROWS, (vehicle_id, day_ms, end_ms))]
    samples = merge(
        journal.hot(tx, vehicle_id=vehicle_id, first_ms=day_ms, last_ms=end_ms - 1)
    )[0]
    slices = [rows[start : start + SLICE_ROWS] for start in range(0, len(rows), SLICE_ROWS)]
    sent = not any(feed.unsent(tx, each) for each in slices)
    received_ms = max(_cut_out(tx, each, day_ms, end_ms) for each in slices)
    made = journal.append(tx, vehicle_id=vehicle_id, samples=samples, received_ms=received_ms)
    if sent:
        feed.gathered(tx, made)


def _cut_out(tx: sqlite3.Connection, rows: Sequence[int], first_ms: int, end_ms: int) -> int:
    """Take rows out of the journal but for what they hold beyond a span; tell when the last was received."""
    marks = ", ".join("?" * len(rows))
    (newest_ms,) = tx.execute(
        f"SELECT max(received_ms) FROM journal WHERE id IN ({marks})",  # noqa: S608 - question marks
        tuple(rows),
    ).fetchone()
    beyond = tx.execute(
        "SELECT vehicle_id, received_ms, body FROM journal "  # noqa: S608
        f"WHERE id IN ({marks}) AND (first_ms < ? OR last_ms >= ?)",
        (*rows, first_ms, end_ms),
    ).fetchall()
    sent = not feed.unsent(tx, rows)
    tx.execute(f"DELETE FROM journal WHERE id IN ({marks})", tuple(rows))  # noqa: S608
    for vehicle_id, received_ms, body in beyond:
        samples = decode(body)
        times = samples["time_ms"]
        rest = samples[(times < first_ms) | (times >= end_ms)]
        if len(rest):
            made = journal.append(
                tx, vehicle_id=vehicle_id, samples=rest, received_ms=received_ms
            )
            if sent:
                feed.gathered(tx, made)
    return int(newest_ms)


def seal(
    tx: sqlite3.Connection,
    archive: Archive,
    *,
    vehicle_id: int,
    month: str,
    samples: NDArray[Any],
    sealed_ms: int,
    max_gap_ms: int,
) -> Sealed:
    """Seal a month at once from records ``SAMPLE`` that never were in the journal, merged and in order.

    It takes the place of what was sealed of that month before.

    Raises
    ------
    ValueError
        There are no samples, or some lie outside the month.
    ArchiveError
        They could not be kept.
    """
    when = Month.parse(month)
    times = samples["time_ms"]
    if len(samples) == 0 or times[0] < when.first_ms or times[-1] >= when.end_ms:
        raise ValueError(f"{len(samples)} samples, not one or more that all lie in {month}")
    ends = (
        (when.first_ms - max_gap_ms, when.first_ms - 1),
        (when.end_ms, when.end_ms + max_gap_ms),
    )
    before, after = (
        journal.read(tx, vehicle_id=vehicle_id, first_ms=first_ms, last_ms=last_ms)
        for first_ms, last_ms in ends
    )
    contents = _contents(tx, vehicle_id, when, join([before, samples, after]), max_gap_ms)
    keep(archive, contents)
    made = Draft(vehicle_id=vehicle_id, contents=contents, before=None, rows=()).sealed(
        sealed_ms
    )
    sealed.enroll(tx, made)
    sum_up_neighbours(tx, archive, made)
    return made


def sum_up_neighbours(conn: sqlite3.Connection, archive: Archive, made: Sealed) -> None:
    """Sum up anew the sealed months that a month which has changed touches.

    A truck that drove through the end of a month was seen from the last sample of one to the first of the
    other.

    Raises
    ------
    ArchiveError
        One of them cannot be read or kept.
    """
    month = Month.parse(made.month)
    for near, other in ((month.before, made.first_ms), (month.next, made.last_ms)):
        one = sealed.find(conn, vehicle_id=made.vehicle_id, month=str(near))
        if one is None:
            continue
        edge_ms = one.last_ms if near < month else one.first_ms
        if abs(other - edge_ms) > one.max_gap_ms:
            continue
        again = draft(conn, vehicle_id=made.vehicle_id, month=near, max_gap_ms=one.max_gap_ms)
        if again is not None and not again.new:  # else it is sealed anew before long
            keep(archive, again.contents)


def _contents(
    conn: sqlite3.Connection,
    vehicle_id: int,
    month: Month,
    about: NDArray[Any],
    max_gap_ms: int,
) -> Contents:
    """Cut a month out of samples that also hold what lies about it, and sum it up."""
    (vehicle,) = conn.execute("SELECT name FROM vehicle WHERE id = ?", (vehicle_id,)).fetchone()
    low, high = np.searchsorted(about["time_ms"], (month.first_ms, month.end_ms))
    rollups = [
        between(
            rollup(about, step_ms=step_ms, max_gap_ms=max_gap_ms), month.first_ms, month.end_ms
        )
        for step_ms in STEPS_MS
    ]
    return Contents(
        vehicle=vehicle,
        month=month,
        samples=canonical(join([about[int(low) : int(high)]])),
        rollups=rollups,
        max_gap_ms=max_gap_ms,
    )
