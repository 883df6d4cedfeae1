"""The ledger of alarms: one row per episode, what is known of it, what people did about it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from typing import Any

from alerts import evidence as numbers
from alerts.alarm import Matter, State
from models.transition import Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """One episode of one condition of one truck, as the ledger knows it.

    ``onset_ms`` is the episode's onset as known now (late samples may move it; the id stays).
    ``raised_ms`` is when the condition was first found true, in the truck's own time;
    ``first_seen_ms`` when the daemon knew. ``turn`` counts how often it came back after it had
    been called normal or withdrawn. ``told_priority`` is the highest priority announced in this
    turn, 0 for none, first at ``told_ms``; ``escalated`` counts the steps taken since. ``chattering``:
    it comes and goes too often to be told each time. ``provisional``: no samples confirm it (yet).
    ``watched``: the daemon itself saw it live.
    """

    id: str
    vehicle: str
    kind: str
    onset_ms: int
    raised_ms: int
    cleared_ms: int | None = None
    active: bool = True
    state: State = State.NORMAL
    priority: Priority
    probability: float
    evidence: Mapping[str, float]
    acknowledged_ms: int | None = None
    acknowledged_by: str | None = None
    comment: str | None = None
    late: bool = False
    withdrawn: bool = False
    provisional: bool = False
    watched: bool = False
    first_seen_ms: int
    turn: int = 0
    told_priority: int = 0
    told_ms: int | None = None
    escalated: int = 0
    chattering: bool = False
    remark: str = ""


STANDING = "withdrawn = 0 AND (active = 1 OR state <> 'normal')"
"""Condition of an alarm that somebody should look at; in these words an index serves it."""

LATELY = (
    "(SELECT id FROM alarm WHERE vehicle = ? AND kind = ? ORDER BY onset_ms DESC LIMIT 100)"
)
"""The newest alarms of a truck and kind, as SQL: what is looked for among those before must not take
longer by the year. Whoever was told of one further back has been told since how it ended."""

_COLUMNS = tuple(field.name for field in fields(Alarm))
_FLAGS = ("active", "late", "withdrawn", "provisional", "watched", "chattering")
_LIST = ", ".join(_COLUMNS)
_MARKS = ", ".join("?" * len(_COLUMNS))
_CHANGES = ", ".join(f"{name} = excluded.{name}" for name in _COLUMNS[1:])
_SAVE = (
    f"INSERT INTO alarm ({_LIST}) VALUES ({_MARKS}) "  # noqa: S608 - our own names
    f"ON CONFLICT (id) DO UPDATE SET {_CHANGES}"
)


def among(words: Iterable[State] | Iterable[Matter]) -> str:
    """Write the condition on a column that it holds one of these words, as SQL."""
    listed = ", ".join(f"'{word.value}'" for word in sorted(words))
    return f"IN ({listed})"


def save(tx: sqlite3.Connection, alarm: Alarm) -> None:
    """Write an alarm, new or changed."""
    row = {name: getattr(alarm, name) for name in _COLUMNS}
    row["evidence"] = numbers.encode(alarm.evidence)
    row["state"] = alarm.state.value
    row["priority"] = int(alarm.priority)
    row.update({name: int(row[name]) for name in _FLAGS})
    tx.execute(_SAVE, tuple(row.values()))


def find(
    conn: sqlite3.Connection, where: str, values: tuple[object, ...] = (), order: str = "+id"
) -> list[Alarm]:
    """Read the alarms for which the condition ``where`` (SQL of this package) holds."""
    # "+id": else all alarms that ever were are read in that order, to spare the sort of a few.
    sql = f"SELECT {_LIST} FROM alarm WHERE {where} ORDER BY {order}"  # noqa: S608 - our own text
    return [_alarm(row) for row in conn.execute(sql, values)]


def get(conn: sqlite3.Connection, alarm_id: str) -> Alarm | None:
    """Read one alarm."""
    return next(iter(find(conn, "id = ?", (alarm_id,))), None)


def standing(conn: sqlite3.Connection) -> list[Alarm]:
    """List the alarms active or not yet acknowledged, most urgent first, then oldest first."""
    return find(
        conn,
        STANDING,
        order="priority DESC, onset_ms, id",
    )


def alarms(
    conn: sqlite3.Connection,
    *,
    vehicle: str | None = None,
    kind: str | None = None,
    since_ms: int | None = None,
    limit: int = 1000,
) -> list[Alarm]:
    """List alarms, newest onset first, withdrawn ones included."""
    wanted = {"vehicle = ?": vehicle, "kind = ?": kind, "onset_ms >= ?": since_ms}
    given = {clause: value for clause, value in wanted.items() if value is not None}
    where = " AND ".join(given) or "1"
    return find(conn, where, (*given.values(), limit), order="onset_ms DESC, id LIMIT ?")


def late_since(conn: sqlite3.Connection, since_ms: int) -> list[Alarm]:
    """List what was found since ``since_ms`` [Unix ms] too late to tell anybody; oldest first."""
    return find(
        conn,
        "late AND NOT withdrawn AND told_priority = 0 AND id IN (SELECT alarm_id FROM "
        "alarm_event WHERE time_ms >= ? AND event IN ('raise', 'recur'))",
        (since_ms,),
        order="onset_ms, id",
    )


def _alarm(row: Any) -> Alarm:
    values: dict[str, Any] = dict(zip(_COLUMNS, row, strict=True))
    values["evidence"] = numbers.decode(values["evidence"])
    values["state"] = State(values["state"])
    values["priority"] = Priority(values["priority"])
    values.update({name: bool(values[name]) for name in _FLAGS})
    return Alarm(**values)
