"""Folding samples into a truck: journal, state, checkpoints, in the caller's transaction.

Whatever the order in which samples come, the state afterwards is the one that all stored
samples give when they are taken in order of time: late samples send the truck back to a
checkpoint and run it again.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest import dropped, journal
from ingest.codec import absent, join
from ingest.held import NEVER_MS, Held, forget_state, pack
from ingest.held import save as write_state
from ingest.merge import Conflict, fresh_rows, merge
from models.course import run
from models.layout import copied

CHECKPOINT_MS = 3_600_000
"""Sample time between checkpoints [ms]. Halving it doubles their room and halves the work of a rewind."""

KEEP_ALL_MS = 48 * 3_600_000
"""Age below which every checkpoint is kept [ms]; older ones are thinned to one a day."""

WINDOW_MS = 6 * 3_600_000
"""Sample time that is read at once when a truck is run again [ms]; also the distance of the
checkpoints this leaves behind."""

FOREVER_MS = 2**62
"""After any sample."""

_DAY_MS = 86_400_000
_CHUNK = 20_000
_LAST_CHECKPOINT = (
    "SELECT time_ms, state FROM checkpoint WHERE vehicle_id = ? AND time_ms <= ? "
    "ORDER BY time_ms DESC LIMIT 1"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Folded:
    """What came of it.

    ``events`` (records ``EVENT``) replace everything that was found after ``after_ms``;
    ``appending`` says that nothing was. ``stored`` samples were new, ``late`` of them older
    than the newest known.
    """

    held: Held
    events: tuple[NDArray[Any], ...]
    after_ms: int
    appending: bool
    stored: int
    repeated: int
    late: int
    conflicts: tuple[Conflict, ...]


def fold(
    tx: sqlite3.Connection, held: Held, samples: NDArray[Any], *, received_ms: int
) -> Folded:
    """Fold samples of one truck (records ``SAMPLE``, at least one, in any order)."""
    offered, conflicts = merge(samples)
    times = offered["time_ms"]
    if held.stopped:
        journal.append(tx, vehicle_id=held.vehicle_id, samples=offered, received_ms=received_ms)
        if times[0] <= held.last_ms:
            held = _back_before(tx, held, int(times[0]))
        # Else the next start would go on from it: without late samples, and telling nothing that it finds.
        forget_state(tx, held)
        repeated = len(samples) - len(offered)
        return _stored_alone(held, len(offered), repeated, conflicts)
    if times[0] <= held.last_ms:
        known = _known(tx, held, times)
        conflicts += merge(join([known, offered]))[1]
        offered = offered[fresh_rows(known, offered)]
    repeated = len(samples) - len(offered)
    late = int(np.count_nonzero(offered["time_ms"] <= held.last_ms))
    if len(offered) == 0:
        return Folded(
            held=held,
            events=(),
            after_ms=held.last_ms,
            appending=True,
            stored=0,
            repeated=repeated,
            late=0,
            conflicts=tuple(conflicts),
        )
    journal.append(tx, vehicle_id=held.vehicle_id, samples=offered, received_ms=received_ms)
    if late == 0:
        start = held
        after, events = _run(tx, start, offered)
    else:
        start = _back_before(tx, held, _first_counting_ms(tx, held, offered))
        after, events = _run_tail(tx, start)
    return Folded(
        held=after,
        events=tuple(events),
        after_ms=start.last_ms,
        appending=late == 0,
        stored=len(offered),
        repeated=repeated,
        late=late,
        conflicts=tuple(conflicts),
    )


def _known(tx: sqlite3.Connection, held: Held, times: NDArray[np.int64]) -> NDArray[Any]:
    """Read what is stored at some times, in order, a window after the other.

    What lies between them need not fit into memory.
    """
    found = [absent(0)]
    while len(times):
        first_ms = int(times[0])
        within = times < first_ms + WINDOW_MS
        stored = journal.read(
            tx, vehicle_id=held.vehicle_id, first_ms=first_ms, last_ms=int(times[within][-1])
        )
        found.append(stored[np.isin(stored["time_ms"], times[within])])
        times = times[~within]
    return join(found)


def _stored_alone(
    held: Held, stored: int, repeated: int, conflicts: Sequence[Conflict]
) -> Folded:
    """Tell of samples of a truck that cannot be computed now: they count once it can."""
    return Folded(
        held=held,
        events=(),
        after_ms=held.last_ms,
        appending=True,
        stored=stored,
        repeated=repeated,
        late=0,
        conflicts=tuple(conflicts),
    )


def rerun(tx: sqlite3.Connection, held: Held, *, since_ms: int = NEVER_MS + 1) -> Folded:
    """Run a truck again: its parameters, the models or its service record have changed.

    ``since_ms``: nothing that was before has changed, so its last checkpoint before may stay.
    """
    start = held
    if held.last_ms == NEVER_MS:
        start = _back_before(tx, held, NEVER_MS)  # no checkpoint holds any longer
    elif since_ms <= held.last_ms:
        start = _back_before(tx, held, since_ms)
    after, events = _run_tail(tx, start)
    return Folded(
        held=after,
        events=tuple(events),
        after_ms=start.last_ms,
        appending=False,
        stored=0,
        repeated=0,
        late=0,
        conflicts=(),
    )


def catch_up(conn: sqlite3.Connection, held: Held) -> Held:
    """Give a truck as the journal has it, from its state as last written; nothing is written.

    What is found on the way was found, and told, when the samples came.
    """
    return _run_tail(conn, held, keep=False)[0]


def as_of(
    conn: sqlite3.Connection, held: Held, until_ms: int, *, unchanged_ms: int | None = None
) -> Held:
    """Give a truck as it was just after its last sample up to ``until_ms``; nothing is written.

    ``unchanged_ms``: only up to here do its checkpoints hold on this course; left out, all do.
    """
    before_ms = until_ms if unchanged_ms is None else min(until_ms, unchanged_ms)
    row = conn.execute(_LAST_CHECKPOINT, (held.vehicle_id, before_ms)).fetchone()
    start = dropped.beginning(conn, held) if row is None else _at(held, row)
    return _run_tail(conn, start, keep=False, until_ms=until_ms)[0]


def save(tx: sqlite3.Connection, folded: Folded) -> Held:
    """Write a truck's state, unless it follows by the journal from the one that is on file.

    A state is a few kilobytes and a sample a few bytes: states are written every few seconds, by
    ``Pipeline.flush``, and not with each commit.
    """
    if folded.held.stopped:
        return folded.held
    if folded.appending and folded.held.on_file:
        return replace(folded.held, unsaved=True)
    return write_state(tx, folded.held)


def _run_tail(
    tx: sqlite3.Connection, held: Held, *, keep: bool = True, until_ms: int = FOREVER_MS
) -> tuple[Held, list[NDArray[Any]]]:
    """Run what is stored after the truck's state, up to ``until_ms``, a window of time after the other.

    A truck's whole history need not fit into memory.
    """
    events: list[NDArray[Any]] = []
    newest_ms = journal.newest_ms(tx, vehicle_id=held.vehicle_id)
    if newest_ms is None:
        return held, events
    first_ms, last_ms = held.last_ms + 1, min(newest_ms, until_ms)
    if held.last_ms == NEVER_MS and (span := journal.span(tx, vehicle_id=held.vehicle_id)):
        first_ms = span[0]
    while first_ms <= last_ms:
        end_ms = min(first_ms + WINDOW_MS - 1, last_ms)
        samples = journal.read(
            tx, vehicle_id=held.vehicle_id, first_ms=first_ms, last_ms=end_ms
        )
        held, found = _run(tx, held, samples, keep=keep)
        events += found
        first_ms = end_ms + 1
    return held, events


def _first_counting_ms(tx: sqlite3.Connection, held: Held, offered: NDArray[Any]) -> int:
    """Give the time of the first sample that can change anything: none from before what is kept does."""
    times = offered["time_ms"]
    counting = times[times > dropped.until_ms(tx, held.vehicle_id)]
    return int(counting[0]) if len(counting) else held.last_ms + 1


def _back_before(tx: sqlite3.Connection, held: Held, time_ms: int) -> Held:
    """Give the truck as it was at the last checkpoint before ``time_ms``; drop the later ones."""
    tx.execute(
        "DELETE FROM checkpoint WHERE vehicle_id = ? AND time_ms >= ?",
        (held.vehicle_id, time_ms),
    )
    row = tx.execute(_LAST_CHECKPOINT, (held.vehicle_id, FOREVER_MS)).fetchone()
    return dropped.beginning(tx, held) if row is None else _at(held, row)


def _at(held: Held, checkpoint: tuple[int, bytes]) -> Held:
    time_ms, state = checkpoint
    return replace(held, kept=state, last_ms=time_ms, checkpoint_ms=time_ms)


def _run(
    tx: sqlite3.Connection, held: Held, samples: NDArray[Any], *, keep: bool = True
) -> tuple[Held, list[NDArray[Any]]]:
    """Run samples newer than the truck's state through the kernel, leaving checkpoints behind."""
    state = copied(held.state)
    checkpoint_ms = held.checkpoint_ms
    last_ms = held.last_ms
    events: list[NDArray[Any]] = []
    for start in range(0, len(samples), _CHUNK):
        chunk = samples[start : start + _CHUNK]
        events += run(held.course, state, chunk)
        last_ms = int(chunk["time_ms"][-1])
        if keep and last_ms - checkpoint_ms >= CHECKPOINT_MS:
            _keep(tx, held.vehicle_id, last_ms, state, checkpoint_ms)
            checkpoint_ms = last_ms
    return replace(held, kept=state, last_ms=last_ms, checkpoint_ms=checkpoint_ms), events


def _keep(
    tx: sqlite3.Connection,
    vehicle_id: int,
    time_ms: int,
    state: NDArray[Any],
    previous_ms: int,
) -> None:
    tx.execute(
        "INSERT OR REPLACE INTO checkpoint VALUES (?, ?, ?)",
        (vehicle_id, time_ms, pack(state)),
    )
    if previous_ms // _DAY_MS != time_ms // _DAY_MS:
        old_ms = time_ms - KEEP_ALL_MS
        tx.execute(
            "DELETE FROM checkpoint WHERE vehicle_id = ?1 AND time_ms < ?2 AND time_ms NOT IN ("
            "SELECT max(time_ms) FROM checkpoint WHERE vehicle_id = ?1 AND time_ms < ?2 "
            "GROUP BY time_ms / ?3)",
            (vehicle_id, old_ms, _DAY_MS),
        )
