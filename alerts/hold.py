"""Holds as they are stored: what is kept from telling, by whom, why and until when; and which one counts."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, fields
from typing import Any

from alerts.alarm import State
from alerts.life_rules import HoldRules
from models.transition import Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """One hold of a truck: of one kind of alarm, or (``kind`` None) of all.

    ``until_ms`` is None while nobody said when it ends; ``ended_ms`` None while it stands;
    ``ended_by`` is empty when its time ran out.
    """

    id: int
    state: State
    vehicle: str
    kind: str | None
    from_ms: int
    until_ms: int | None
    by: str
    reason: str
    ended_ms: int | None = None
    ended_by: str | None = None


_COLUMNS = ", ".join(field.name for field in fields(Hold))
_STANDING = f"SELECT {_COLUMNS} FROM hold WHERE ended_ms IS NULL"  # noqa: S608 - our own names
_OF_TRUCK = f"{_STANDING} AND vehicle = ? AND (kind IS NULL OR kind = ?)"
_ENDED = (
    f"SELECT {_COLUMNS} FROM hold WHERE ended_ms IS NOT NULL AND vehicle = ? "  # noqa: S608 - our own names
    "AND (kind IS NULL OR kind = ?) AND from_ms <= ? AND ended_ms >= ? ORDER BY id"
)
_PUT = (
    "INSERT INTO hold (state, vehicle, kind, from_ms, until_ms, by, reason) "
    "VALUES (?, ?, ?, ?, ?, ?, ?) RETURNING id"
)
_END = "UPDATE hold SET ended_ms = ?, ended_by = ? WHERE id = ? AND ended_ms IS NULL"

#: Which of several holds an alarm is said to be under: the one that says most of the truck.
_WEIGHT = {State.SHELVED: 0, State.SUPPRESSED: 1, State.OUT_OF_SERVICE: 2}
_NEVER_MS = 1 << 62


def standing(conn: sqlite3.Connection, now_ms: int) -> tuple[Hold, ...]:
    """List the holds in force, in the order they were made."""
    rows = conn.execute(f"{_STANDING} ORDER BY id")
    return tuple(hold for hold in map(_hold, rows) if _in_force(hold, now_ms))


def run_out(conn: sqlite3.Connection, now_ms: int) -> tuple[Hold, ...]:
    """List the holds whose time is over and that nobody has ended yet."""
    rows = conn.execute(f"{_STANDING} AND until_ms <= ? ORDER BY id", (now_ms,))
    return tuple(map(_hold, rows))


def get(conn: sqlite3.Connection, hold_id: int) -> Hold | None:
    """Read one hold, ended or not."""
    sql = f"SELECT {_COLUMNS} FROM hold WHERE id = ?"  # noqa: S608 - our own names
    return next(map(_hold, conn.execute(sql, (hold_id,))), None)


def cover(
    conn: sqlite3.Connection,
    vehicle: str,
    kind: str,
    now_ms: int,
    *,
    priority: Priority,
    rules: HoldRules,
) -> Hold | None:
    """Give the hold that an alarm is under, if any.

    Out of service goes before suppressed by design, that before shelved; of two alike the one
    that ends last. A shelf covers a critical alarm only for as long as a critical one may be shelved.
    """
    found = [
        hold
        for hold in map(_hold, conn.execute(_OF_TRUCK, (vehicle, kind)))
        if _in_force(hold, now_ms) and now_ms < end_ms(hold, priority, rules)
    ]
    return max(
        found,
        key=lambda hold: (_WEIGHT[hold.state], hold.until_ms or _NEVER_MS, hold.id),
        default=None,
    )


def covered(
    conn: sqlite3.Connection, vehicle: str, kind: str, from_ms: int, to_ms: int
) -> Hold | None:
    """Give a hold, ended by now, that covers a whole span of time [Unix ms]."""
    return next(map(_hold, conn.execute(_ENDED, (vehicle, kind, from_ms, to_ms))), None)


def end_ms(hold: Hold, priority: Priority, rules: HoldRules) -> int:
    """Give when a hold ends for an alarm of this priority [Unix ms]."""
    until_ms = _NEVER_MS if hold.until_ms is None else hold.until_ms
    if hold.state is State.SHELVED and priority is Priority.CRITICAL:
        return min(until_ms, hold.from_ms + rules.longest_critical_ms)
    return until_ms


def put(tx: sqlite3.Connection, hold: Hold) -> int:
    """Write a new hold and give its number; the ``id`` given is left aside."""
    values = (
        hold.state.value,
        hold.vehicle,
        hold.kind,
        hold.from_ms,
        hold.until_ms,
        hold.by,
        hold.reason,
    )
    return int(tx.execute(_PUT, values).fetchone()[0])


def end(tx: sqlite3.Connection, hold_id: int, *, now_ms: int, by: str) -> None:
    """Write down that a hold ended; ``by`` is empty when its time ran out."""
    tx.execute(_END, (now_ms, by, hold_id))


def _in_force(hold: Hold, now_ms: int) -> bool:
    return hold.until_ms is None or now_ms < hold.until_ms


def _hold(row: Any) -> Hold:
    names = (field.name for field in fields(Hold))
    values = dict(zip(names, row, strict=True))
    return Hold(**{**values, "state": State(values["state"])})
