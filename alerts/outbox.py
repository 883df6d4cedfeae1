"""The outbox: who is to be told what of an alarm, kept until that is done, given up or no longer true.

A *telling* is one matter of one alarm for one destination; it is written in the transaction that
changes the alarm. It leaves in a *sending* (``alerts.sending``), alone or with others, and shares
its fate. What it tells is that of the moment it was written.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, fields
from typing import Any

from alerts import evidence as numbers
from alerts.alarm import OVER, STANDS, Matter
from alerts.identity import moved_id, notice_id
from alerts.ledger import Alarm, among
from alerts.policy import Telling
from models.transition import Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One telling, and how far it has come.

    ``time_ms`` is when, in the truck's time, what it tells of took place; priority, probability,
    evidence, onset and remark are those of that moment, so that a repeat says the same as the
    first try. ``due_ms``, ``attempts`` and ``last_error`` are those of its sending once it is in one;
    ``moved_from`` is the destination that could not be reached before this one was taken.
    """

    id: str
    alarm_id: str
    destination: str
    matter: Matter
    turn: int
    time_ms: int
    priority: Priority
    probability: float
    evidence: Mapping[str, float]
    onset_ms: int
    remark: str
    created_ms: int
    due_ms: int
    state: str
    settled_ms: int | None
    sending_id: str | None
    moved_from: str
    attempts: int
    last_error: str


_OWN = tuple(field.name for field in fields(Entry))[:-2]
_COLUMNS = (
    ", ".join(f"outbox.{name}" for name in _OWN if name != "due_ms")
    + ", coalesce(sending.due_ms, outbox.due_ms) AS due_ms"
    + ", coalesce(sending.attempts, 0) AS attempts"
    + ", coalesce(sending.last_error, '') AS last_error"
)
_NAMES = (*(name for name in _OWN if name != "due_ms"), "due_ms", "attempts", "last_error")
_FROM = (
    f"SELECT {_COLUMNS} FROM outbox "  # noqa: S608 - our own column names
    "LEFT JOIN sending ON sending.id = outbox.sending_id"
)
_POST = """
INSERT OR IGNORE INTO outbox (id, alarm_id, destination, matter, turn, time_ms, priority,
    probability, evidence, onset_ms, remark, created_ms, due_ms)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
"""
_MOVE = """
INSERT OR IGNORE INTO outbox (id, alarm_id, destination, matter, turn, time_ms, priority,
    probability, evidence, onset_ms, remark, created_ms, due_ms, moved_from)
SELECT ?1, alarm_id, ?2, matter, turn, time_ms, priority,
    probability, evidence, onset_ms, remark, ?3,
    CASE WHEN created_ms > ?3 THEN ?3 ELSE max(?3, due_ms) END, destination
FROM outbox AS mine WHERE id = ?4 AND NOT EXISTS (
    SELECT 1 FROM outbox AS same WHERE same.alarm_id = mine.alarm_id AND same.destination = ?2
    AND same.matter = mine.matter AND same.turn = mine.turn AND same.time_ms = mine.time_ms
    AND same.state <> 'cancelled')
"""
_AFTER = """
SELECT later.id FROM outbox AS later JOIN outbox AS mine ON mine.id = ?3
WHERE later.alarm_id = ?1 AND later.destination = ?2 AND later.seq > mine.seq
    AND later.state = 'pending' AND later.sending_id IS NULL ORDER BY later.seq
"""
_SOONER = """
UPDATE outbox SET due_ms = ?1 WHERE alarm_id = ?2 AND destination = ?3 AND state = 'pending'
    AND sending_id IS NULL AND due_ms > ?1
"""
#: What was refused for now and stands before something critical is tried at once.
_CLEAR_THE_WAY = """
UPDATE sending SET due_ms = ?1 WHERE state = 'pending' AND due_ms > ?1 AND id IN (
    SELECT sending_id FROM outbox WHERE alarm_id = ?2 AND destination = ?3 AND state = 'pending')
"""
_CANCEL = """
UPDATE outbox SET state = 'cancelled', settled_ms = ?
WHERE alarm_id = ? AND state = 'pending' AND sending_id IS NULL
"""
_TOLD = f"""
SELECT DISTINCT destination FROM outbox
WHERE alarm_id = ? AND turn = ? AND matter {among(STANDS)}
    AND state IN ('pending', 'delivered') ORDER BY destination
"""  # noqa: S608 - our own words
_NEWEST_TOLD = f"""
{_FROM} WHERE outbox.alarm_id = ? AND outbox.turn = ?
    AND outbox.matter NOT {among(OVER)}
    AND outbox.state <> 'cancelled' ORDER BY outbox.seq DESC LIMIT 1
"""
_COUNT = "SELECT count(*) FROM outbox WHERE alarm_id = ? AND turn = ? AND matter = ?"
#: What is in a sending was tried, and may have arrived though nothing came back: it counts as told.
_MAY_KNOW = """
SELECT DISTINCT destination FROM outbox
WHERE alarm_id = ? AND turn = ? AND matter <> 'withdrawn' AND sending_id IS NOT NULL
ORDER BY destination
"""


def post(
    tx: sqlite3.Connection,
    alarm: Alarm,
    matter: Matter,
    tellings: Iterable[Telling],
    *,
    time_ms: int,
    now_ms: int,
    nth: int | None = None,
) -> int:
    """Put one telling per destination into the outbox; one that is already there stays as it is.

    ``nth`` tells apart tellings of one matter in one turn; None: as ``_nth`` counts them.
    """
    said = (int(alarm.priority), alarm.probability, numbers.encode(alarm.evidence))
    found = (*said, alarm.onset_ms, alarm.remark, now_ms)
    nth = _nth(tx, alarm, matter) if nth is None else nth
    count = 0
    for telling in tellings:
        name = notice_id(alarm.id, matter, alarm.turn, nth, telling.destination)
        key = (name, alarm.id, telling.destination, matter.value, alarm.turn)
        due_ms = max(now_ms, telling.not_before_ms)
        posted = tx.execute(_POST, (*key, time_ms, *found, due_ms)).rowcount
        # That it is over waits behind what was said before; all else pulls it along (a rise to critical
        # does not wait for the end of the quiet hours in which the alarm began).
        if posted and matter not in OVER:
            tx.execute(_SOONER, (due_ms, alarm.id, telling.destination))
            if alarm.priority is Priority.CRITICAL:
                tx.execute(_CLEAR_THE_WAY, (due_ms, alarm.id, telling.destination))
        count += posted
    return count


def _nth(tx: sqlite3.Connection, alarm: Alarm, matter: Matter) -> int:
    """Tell apart tellings of one matter in one turn: rises by priority, dates by how many went before."""
    if matter is Matter.RISE:
        return int(alarm.priority)
    if matter in (Matter.MOVED, Matter.QUIET):
        counted = tx.execute(_COUNT, (alarm.id, alarm.turn, matter.value)).fetchone()
        return int(counted[0])
    return 0


def move(tx: sqlite3.Connection, entry: Entry, destination: str, now_ms: int) -> int:
    """Tell the same at another destination; what is known there already is not said again.

    What is to follow it and was not tried yet goes the same way, that it is over above all.
    """
    moved = _move(tx, entry.id, destination, now_ms)
    place = (entry.alarm_id, entry.destination, entry.id)
    for (name,) in tx.execute(_AFTER, place).fetchall():
        _move(tx, name, destination, now_ms)
        tx.execute(
            "UPDATE outbox SET state = 'cancelled', settled_ms = ? WHERE id = ?", (now_ms, name)
        )
    return moved


def _move(tx: sqlite3.Connection, name: str, destination: str, now_ms: int) -> int:
    return tx.execute(_MOVE, (moved_id(name, destination), destination, now_ms, name)).rowcount


def newest_told(conn: sqlite3.Connection, alarm: Alarm) -> Entry | None:
    """Give the newest telling of an alarm that stands, in this turn: what people go by now."""
    rows = conn.execute(_NEWEST_TOLD, (alarm.id, alarm.turn)).fetchall()
    return next(map(_entry, rows), None)


def told(conn: sqlite3.Connection, alarm: Alarm) -> list[str]:
    """List the destinations that were or will be told that the alarm is active, in this turn."""
    return [row[0] for row in conn.execute(_TOLD, (alarm.id, alarm.turn))]


def may_know(conn: sqlite3.Connection, alarm: Alarm) -> list[str]:
    """List the destinations at which somebody may already know of the alarm, in this turn."""
    return [row[0] for row in conn.execute(_MAY_KNOW, (alarm.id, alarm.turn))]


def cancel(
    tx: sqlite3.Connection, alarm_id: str, now_ms: int, matters: Collection[Matter] = ()
) -> int:
    """Cancel the tellings of an alarm (of these matters, if any are named) that are in no sending yet.

    One in a sending may have arrived: it goes out as it is, and what follows says that it no longer holds.
    """
    only = f" AND matter {among(matters)}" if matters else ""
    return tx.execute(_CANCEL + only, (now_ms, alarm_id)).rowcount


def entries(
    conn: sqlite3.Connection,
    *,
    alarm_id: str | None = None,
    state: str | None = None,
    sending_id: str | None = None,
) -> list[Entry]:
    """List the tellings of an alarm, of a sending or in a state, oldest first."""
    wanted = {"alarm_id": alarm_id, "state": state, "sending_id": sending_id}
    given = {name: value for name, value in wanted.items() if value is not None}
    where = " AND ".join(f"outbox.{name} = ?" for name in given) or "1"
    sql = f"{_FROM} WHERE {where} ORDER BY outbox.seq"
    return [_entry(row) for row in conn.execute(sql, tuple(given.values()))]


def _entry(row: Any) -> Entry:
    values: dict[str, Any] = dict(zip(_NAMES, row, strict=True))
    values["matter"] = Matter(values["matter"])
    values["priority"] = Priority(values["priority"])
    values["evidence"] = numbers.decode(values["evidence"])
    return Entry(**values)
