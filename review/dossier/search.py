"""The departure that a review is about: found by the alarms that the models raise, then looked at closely."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Any, NamedTuple

from numpy.typing import NDArray

from alerts import evidence
from ingest.held import Held
from models.sensor_words import FLUID
from review.dossier.departure import FAULTS, Cleared, episodes, the_one
from review.dossier.facts import Episode
from review.dossier.walk import Kept, Raised, walked

LEAD_MS = 6 * 3_600_000
"""So long before a departure the truck is followed closely [ms]: it was healthy then, and is seen to be."""

AFTER_MS = 4 * 3_600_000
"""And so long after the alarm [ms]: what became of it shows in the hours that followed."""

_TRANSITIONS = (
    "SELECT kind, time_ms, onset_ms, probability, active, evidence FROM transition "
    "WHERE vehicle = ? AND time_ms >= ? AND time_ms < ? ORDER BY time_ms, kind"
)


class Found(NamedTuple):
    """All departures, the one in question (None: there was none), and the notes about it."""

    all: tuple[Episode, ...]
    one: Episode | None
    notes: NDArray[Any]


def _broken(kind: str, told: str) -> bool:
    """Say whether an alarm tells of a fault of gearbox and circuit, or of the fluid's own sensor."""
    if kind == "sensor_fault":
        return evidence.decode(told).get("sensor", FLUID) == FLUID
    return kind in FAULTS


def find(
    conn: sqlite3.Connection,
    held: Held,
    past: Kept,
    first_ms: int,
    until_ms: int,
    worst_ms: int | None,
    worked_on_ms: Sequence[int],
) -> Found:
    """Find the departures of a truck, and follow it about the one in question."""
    rows = conn.execute(_TRANSITIONS, (held.name, first_ms, until_ms)).fetchall()
    raised = [Raised(*row[:4]) for row in rows if row[4] and _broken(row[0], row[5])]
    cleared = [Cleared(row[0], row[2], row[1]) for row in rows if not row[4]]
    found = tuple(episodes(raised, cleared, past.notes[1:], worked_on_ms))
    one = the_one(found, worst_ms)
    if one is None:
        return Found(found, None, past.notes[:0])
    start_ms = max(first_ms, one.onset_ms - LEAD_MS)
    notes, _ = walked(conn, held, past, start_ms, min(until_ms - 1, one.told_ms + AFTER_MS))
    return Found(found, one, notes)
