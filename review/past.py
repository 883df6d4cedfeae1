"""A truck as it was: from its checkpoints and its journal, with the record as it counts now."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from typing import Any

from numpy.typing import NDArray

from ingest.fold import as_of
from ingest.held import Held, unpack
from models.course import Course, settle
from review.reading import Stored

_ALL = "SELECT time_ms, state FROM checkpoint WHERE vehicle_id = ? ORDER BY time_ms"


def state_at(conn: sqlite3.Connection, held: Held, time_ms: int) -> NDArray[Any]:
    """Give the state of a truck at a time [Unix ms]: all before it counted, nothing at it.

    Returns
    -------
    array
        A record ``STATE``, shape (1,).
    """
    if held.last_ms < time_ms:
        return settle(held.course, held.state, time_ms - 1)
    state = _run_from(conn, held, held.course, time_ms, until_ms=time_ms)
    return settle(held.course, state, time_ms - 1)


def state_with(
    conn: sqlite3.Connection, held: Held, course: Course, *, since_ms: int, now_ms: int
) -> NDArray[Any]:
    """Give the state of a truck now had its record said something else since a time; nothing is written.

    Parameters
    ----------
    conn, held
        The store, and the truck at its newest sample by the record that counts.
    course
        Its course by the other record.
    since_ms
        Up to here, this moment left out, both say the same [Unix ms].
    now_ms
        Entries up to here are counted [Unix ms].

    Returns
    -------
    array
        A record ``STATE``, shape (1,).
    """
    state = held.state
    if since_ms <= held.last_ms:
        state = _run_from(conn, held, course, since_ms, until_ms=held.last_ms + 1)
    return settle(course, state, now_ms)


def _run_from(
    conn: sqlite3.Connection, held: Held, course: Course, since_ms: int, *, until_ms: int
) -> NDArray[Any]:
    """Run a truck from its last checkpoint before a time to another, which is left out [Unix ms]."""
    other = replace(held, course=course)
    return as_of(conn, other, until_ms - 1, unchanged_ms=since_ms - 1).state


def states_until_now(
    conn: sqlite3.Connection, stored: Stored, now_ms: int
) -> list[tuple[int, NDArray[Any]]]:
    """Give the states of a truck that are kept, by time [Unix ms]: by the day, of late by the hour.

    The last is the truck now. Records ``STATE``, each of shape (1,).
    """
    if stored.held is None or stored.state is None:
        return []
    rows = conn.execute(_ALL, (stored.held.vehicle_id,)).fetchall()
    kept = [(time_ms, unpack(body)) for time_ms, body in rows]
    return [*kept, (max(now_ms, stored.held.last_ms), stored.state)]
