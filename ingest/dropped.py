"""History that was dropped because it was too old: what it left is where a truck begins.

With its samples gone nothing from before can be computed again. So the state after the last of them is
kept, as it was computed then: a truck that is run again begins with it, and what is entered or comes in for
the time before changes nothing any more. If the layout of states has changed since, the account is
carried over field by field and everything else is learned anew from what is kept.
"""

from __future__ import annotations

import ast
import sqlite3
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest.held import NEVER_MS, Held, unpack_as
from models.course import Course
from models.kernel import STATE
from models.layout import blank


def until_ms(conn: sqlite3.Connection, vehicle_id: int) -> int:
    """Give the time of a truck's last sample that was dropped [Unix ms], ``NEVER_MS`` if none was."""
    row = conn.execute(
        "SELECT until_ms FROM dropped WHERE vehicle_id = ?", (vehicle_id,)
    ).fetchone()
    return NEVER_MS if row is None else int(row[0])


def beginning(conn: sqlite3.Connection, held: Held) -> Held:
    """Give a truck as it is before the first sample that is kept of it."""
    row = conn.execute(
        "SELECT until_ms, layout, state FROM dropped WHERE vehicle_id = ?", (held.vehicle_id,)
    ).fetchone()
    if row is None:
        return replace(held, kept=blank(STATE), last_ms=NEVER_MS, checkpoint_ms=NEVER_MS)
    last_ms, layout, body = row
    state = _carried(layout, body)
    _place(held.course, state, last_ms)
    return replace(held, kept=state, last_ms=last_ms, checkpoint_ms=last_ms)


def drop(
    tx: sqlite3.Connection, held: Held, *, months: list[str], samples: int, now_ms: int
) -> None:
    """Let go of a truck's sealed months; ``held`` is the truck just after the last of their samples."""
    tx.execute(
        "INSERT INTO dropped VALUES (?1, ?2, ?3, ?4, ?5, ?6) ON CONFLICT (vehicle_id) DO UPDATE "
        "SET until_ms = ?2, samples = samples + ?3, layout = ?4, state = ?5, dropped_ms = ?6",
        (
            held.vehicle_id,
            held.last_ms,
            samples,
            repr(STATE.descr),
            held.packed,
            now_ms,
        ),
    )
    tx.executemany(
        "DELETE FROM sealed WHERE vehicle_id = ? AND month = ?",
        [(held.vehicle_id, month) for month in months],
    )
    tx.execute(
        "DELETE FROM checkpoint WHERE vehicle_id = ? AND time_ms <= ?",
        (held.vehicle_id, held.last_ms),
    )


def _place(course: Course, state: NDArray[Any], last_ms: int) -> None:
    """Count the entries up to a time as done, however many they are by now."""
    counted = int(np.searchsorted(course.entries["time_ms"], last_ms, side="right"))
    state["course"]["entries"] = counted
    state["course"]["epoch"] = course.entries["epoch"][counted - 1] if counted else 0


def _carried(layout: str, body: bytes) -> NDArray[Any]:
    """Read a state of another layout: its account by the names of its fields."""
    if layout == repr(STATE.descr):
        return unpack_as(body, STATE)
    old = unpack_as(body, np.dtype(ast.literal_eval(layout)))
    state = blank(STATE)
    _copy(old["truck"]["account"], state["truck"]["account"])
    return state


def _copy(old: NDArray[Any], new: NDArray[Any]) -> None:
    for name in new.dtype.names or ():
        if name not in (old.dtype.names or ()):
            continue
        if new.dtype[name].names is not None and old.dtype[name].names is not None:
            _copy(old[name], new[name])
        elif new.dtype[name] == old.dtype[name]:
            new[name] = old[name]
