"""What happened to an alarm: every step of its life, who took it and why."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from alerts.alarm import HELD, Event, State
from alerts.ledger import LATELY, Alarm
from models.transition import Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class Happening:
    """One event of one alarm at ``time_ms``, by the daemon's clock; ``by`` is empty when no person did it."""

    alarm_id: str
    time_ms: int
    event: Event
    before: State
    after: State
    priority: Priority
    by: str
    comment: str


_COLUMNS = "alarm_id, time_ms, event, before, after, priority, by, comment"
_INSERT = f"INSERT INTO alarm_event ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)"  # noqa: S608 - our own names
_SELECT = (
    f"SELECT {_COLUMNS} FROM alarm_event "  # noqa: S608 - our own names
    "WHERE (?1 IS NULL OR alarm_id = ?1) AND (?2 IS NULL OR time_ms >= ?2) ORDER BY seq"
)
_NEWEST = f"""
SELECT time_ms FROM alarm_event
WHERE alarm_id IN {LATELY} AND event IN ('raise', 'recur', 'clear') ORDER BY +seq DESC LIMIT 1
"""  # noqa: S608 - our own words


def note(
    tx: sqlite3.Connection,
    alarm: Alarm,
    event: Event,
    after: State,
    *,
    now_ms: int,
    by: str,
    comment: str,
) -> None:
    """Write down an event of ``alarm``, which is given as it was before."""
    states = (alarm.state.value, after.value)
    tx.execute(
        _INSERT, (alarm.id, now_ms, event.value, *states, int(alarm.priority), by, comment)
    )


def events(
    conn: sqlite3.Connection, alarm_id: str | None = None, *, since_ms: int | None = None
) -> list[Happening]:
    """List what happened to one alarm, or to all, in the order it was written."""
    return [
        Happening(
            alarm_id=name,
            time_ms=time_ms,
            event=Event(event),
            before=State(before),
            after=State(after),
            priority=Priority(priority),
            by=by,
            comment=comment,
        )
        for name, time_ms, event, before, after, priority, by, comment in conn.execute(
            _SELECT, (alarm_id, since_ms)
        )
    ]


def last_change_ms(conn: sqlite3.Connection, vehicle: str, kind: str) -> int:
    """Give when the condition of a truck last came or went, as the daemon saw it [Unix ms]; 0: never."""
    found = conn.execute(_NEWEST, (vehicle, kind)).fetchone()
    return int(found[0]) if found else 0


def held_since_ms(conn: sqlite3.Connection, alarm_id: str) -> int | None:
    """Give since when an alarm that is held has been, under whatever holds [Unix ms]."""
    since_ms = None
    for each in events(conn, alarm_id):
        if each.after in HELD and each.before not in HELD:
            since_ms = each.time_ms
    return since_ms
