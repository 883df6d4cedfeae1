"""Where a departure is looked for: days that ended in doubt, or on which an alarm of a fault was raised."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ingest.held import Held
from models.thermal import SUSPECT
from review.dossier.departure import FAULTS, by_alarm, departures, fault
from review.dossier.facts import Departure
from review.dossier.walk import NOTE, Kept, Raised, walked

LEAD_MS = 2 * 3_600_000
"""So long before a doubt the truck is followed closely [ms]: it was healthy then, and is seen to be."""

LONGEST_MS = 3 * 86_400_000
"""Of a stretch no more is looked at closely [ms]."""

MOST = 40
"""Stretches that are looked at at most [-]: a doubt that came and went so often is named as it last stood."""

_RAISED = (
    "SELECT kind, time_ms, onset_ms, probability FROM transition WHERE vehicle = ? AND active = 1 "
    "AND time_ms >= ? AND time_ms < ? ORDER BY time_ms"
)


class Found(NamedTuple):
    """The first departure, None where there was none, and the notes of all that was looked at."""

    departure: Departure | None
    notes: NDArray[Any]


def raised_between(
    conn: sqlite3.Connection, vehicle: str, first_ms: int, until_ms: int
) -> list[Raised]:
    """Give the alarms that the models raise with all that is known now."""
    rows = conn.execute(_RAISED, (vehicle, first_ms, until_ms))
    return [Raised(*row) for row in rows if row[0] in FAULTS]


def first_departure(
    conn: sqlite3.Connection, held: Held, past: Kept, first_ms: int, until_ms: int
) -> Found:
    """Find it, looking closely where the truck as it is kept tells to."""
    alarms = raised_between(conn, held.name, first_ms, until_ms)
    seen: list[NDArray[Any]] = [np.zeros(0, NOTE)]
    for start_ms, end_ms in _stretches(past, alarms, first_ms, until_ms):
        notes, raised = walked(conn, held, past, start_ms, end_ms)
        seen.append(notes)
        found = next(departures(notes, raised), None)
        alone = next((each for each in alarms if start_ms <= each.time_ms <= end_ms), None)
        if alone is not None and (found is None or alone.onset_ms < found.left_ms):
            found = by_alarm(alone) if found is None or _other(found, alone) else found
        if found is not None:
            return Found(found, np.concatenate(seen))
    return Found(None, np.concatenate(seen))


def _other(found: Departure, alarm: Raised) -> bool:
    """Say whether an alarm tells of something else, and before."""
    return alarm.kind == "lockup_slip" and found.by_alarm != alarm.kind


def _stretches(
    past: Kept, alarms: list[Raised], first_ms: int, until_ms: int
) -> Iterator[tuple[int, int]]:
    """Give what is to be looked at: from before a doubt, or an alarm, to where the day after it ends."""
    doubted = np.flatnonzero(fault(past.notes) >= SUSPECT)
    starts = [int(past.time_ms[max(0, row - 1)]) + 1 for row in doubted.tolist()]
    starts += [each.onset_ms for each in alarms]
    looked_ms = first_ms - 1
    for count, start_ms in enumerate(sorted(starts)):
        if start_ms <= looked_ms and count:
            continue
        if count >= MOST:
            return
        end_ms = min(_end_ms(past, start_ms), until_ms - 1)
        yield max(first_ms, start_ms - LEAD_MS), end_ms
        looked_ms = end_ms


def _end_ms(past: Kept, start_ms: int) -> int:
    """Give the end of what is kept next, and one more: what is sure only the day after is seen."""
    row = min(
        int(np.searchsorted(past.time_ms, start_ms, side="right")) + 1, len(past.time_ms) - 1
    )
    return min(int(past.time_ms[row]), start_ms + LONGEST_MS)
