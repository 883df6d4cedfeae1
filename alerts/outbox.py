"""The outbox: who is to be told what, kept until it is delivered, given up or no longer true.

Rows are written in the transaction that changes the alarm. A notice is claimed before it is
sent and settled after; a crash in between sends it again under the same id.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from alerts import evidence as numbers
from alerts.alarm import Matter
from alerts.identity import notice_id
from alerts.ledger import Alarm
from alerts.policy import Telling
from models.transition import Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One notice to one channel, and how far it has come.

    ``time_ms`` is when, in the truck's time, what it tells of took place; priority, probability
    and evidence are those of that moment, so that a repeat says the same as the first try.
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
    created_ms: int
    due_ms: int
    attempts: int
    state: str
    settled_ms: int | None
    last_error: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """One try to tell somebody, and what came of it."""

    notice_id: str
    destination: str
    time_ms: int
    outcome: str
    detail: str


_COLUMNS = (
    "id, alarm_id, destination, matter, turn, time_ms, priority, probability, evidence, "
    "created_ms, due_ms, attempts, state, settled_ms, last_error"
)
_POST = """
INSERT OR IGNORE INTO outbox (id, alarm_id, destination, matter, turn, time_ms, priority,
    probability, evidence, created_ms, due_ms) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
"""
#: The notices of one alarm leave in order: "normal" never overtakes "active".
_DUE = f"""
SELECT {_COLUMNS} FROM outbox AS mine
WHERE state = 'pending' AND destination = ? AND due_ms <= ? AND claimed = 0 AND NOT EXISTS (
    SELECT 1 FROM outbox AS earlier WHERE earlier.alarm_id = mine.alarm_id
    AND earlier.destination = mine.destination AND earlier.state = 'pending' AND earlier.seq < mine.seq)
ORDER BY priority DESC, seq LIMIT 1
"""  # noqa: S608 - our own column names
_CANCEL = (
    "UPDATE outbox SET state = 'cancelled', settled_ms = ? "
    "WHERE alarm_id = ? AND state = 'pending'"
)
_TOLD = """
SELECT DISTINCT destination FROM outbox
WHERE alarm_id = ? AND turn = ? AND matter IN ('active', 'rise', 'reminder')
    AND state IN ('pending', 'delivered') ORDER BY destination
"""
_NEWEST_TOLD = f"""
SELECT {_COLUMNS} FROM outbox
WHERE alarm_id = ? AND turn = ? AND matter NOT IN ('normal', 'withdrawn')
    AND state <> 'cancelled' ORDER BY seq DESC LIMIT 1
"""  # noqa: S608 - our own column names
_COUNT = "SELECT count(*) FROM outbox WHERE alarm_id = ? AND turn = ? AND matter = ?"
#: A notice that was tried may have arrived though nothing came back: it counts as told.
_MAY_KNOW = """
SELECT DISTINCT destination FROM outbox
WHERE alarm_id = ? AND turn = ? AND matter <> 'withdrawn'
    AND (state = 'delivered' OR attempts > 0) ORDER BY destination
"""
_SETTLE = (
    "UPDATE outbox SET claimed = 0, state = 'delivered', settled_ms = ?, last_error = '' "
    "WHERE id = ?"
)
_ABANDON = (
    "UPDATE outbox SET claimed = 0, state = 'abandoned', settled_ms = ?, last_error = ? "
    "WHERE id = ? AND state = 'pending'"
)
_LOG = """
INSERT INTO attempt (notice_id, destination, time_ms, outcome, detail) VALUES (?, ?, ?, ?, ?)
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
    """Put one notice per destination into the outbox; one that is already there stays as it is.

    ``nth`` tells apart notices of one matter in one turn; None: as ``_nth`` counts them.
    """
    said = (int(alarm.priority), alarm.probability, numbers.encode(alarm.evidence))
    nth = _nth(tx, alarm, matter) if nth is None else nth
    count = 0
    for telling in tellings:
        name = notice_id(alarm.id, matter, alarm.turn, nth, telling.destination)
        key = (name, alarm.id, telling.destination, matter.value, alarm.turn)
        due_ms = max(now_ms, telling.not_before_ms)
        count += tx.execute(_POST, (*key, time_ms, *said, now_ms, due_ms)).rowcount
    return count


def _nth(tx: sqlite3.Connection, alarm: Alarm, matter: Matter) -> int:
    """Tell apart notices of one matter in one turn: rises by priority, dates by how many went before."""
    if matter is Matter.RISE:
        return int(alarm.priority)
    if matter in (Matter.MOVED, Matter.QUIET):
        counted = tx.execute(_COUNT, (alarm.id, alarm.turn, matter.value)).fetchone()
        return int(counted[0])
    return 0


def newest_told(conn: sqlite3.Connection, alarm: Alarm) -> Entry | None:
    """Give the newest notice of an alarm that stands, in this turn: what people go by now."""
    rows = conn.execute(_NEWEST_TOLD, (alarm.id, alarm.turn)).fetchall()
    return next(map(_entry, rows), None)


def told(conn: sqlite3.Connection, alarm: Alarm) -> list[str]:
    """List the channels that were or will be told that the alarm is active, in this turn."""
    return [row[0] for row in conn.execute(_TOLD, (alarm.id, alarm.turn))]


def may_know(conn: sqlite3.Connection, alarm: Alarm) -> list[str]:
    """List the channels through which somebody may already know of the alarm, in this turn."""
    return [row[0] for row in conn.execute(_MAY_KNOW, (alarm.id, alarm.turn))]


def cancel(tx: sqlite3.Connection, alarm_id: str, now_ms: int) -> int:
    """Cancel the notices of an alarm that have not gone out."""
    return tx.execute(_CANCEL, (now_ms, alarm_id)).rowcount


def due(conn: sqlite3.Connection, destination: str, now_ms: int) -> bool:
    """Tell whether a channel has a notice to send now."""
    return bool(conn.execute(_DUE, (destination, now_ms)).fetchall())


def claim(tx: sqlite3.Connection, destination: str, now_ms: int) -> Entry | None:
    """Take the most urgent due notice of a channel; the try counts from here."""
    for entry in map(_entry, tx.execute(_DUE, (destination, now_ms)).fetchall()):
        tx.execute(
            "UPDATE outbox SET claimed = 1, attempts = attempts + 1 WHERE id = ?", (entry.id,)
        )
        return entry
    return None


def settle(tx: sqlite3.Connection, entry: Entry, now_ms: int, detail: str) -> None:
    """Write down that a notice was delivered, be it cancelled while under way."""
    tx.execute(_SETTLE, (now_ms, entry.id))
    _log(tx, entry, now_ms, "delivered", detail)


def defer(
    tx: sqlite3.Connection, entry: Entry, now_ms: int, *, due_ms: int, reason: str
) -> None:
    """Put a notice back for another try at ``due_ms``."""
    tx.execute(
        "UPDATE outbox SET claimed = 0, due_ms = ?, last_error = ? WHERE id = ?",
        (due_ms, reason, entry.id),
    )
    _log(tx, entry, now_ms, "deferred", reason)


def give_up(tx: sqlite3.Connection, entry: Entry, now_ms: int, reason: str) -> None:
    """Lay a notice aside for a person to see; it is not lost (see ``dead_letters``)."""
    tx.execute(_ABANDON, (now_ms, reason, entry.id))
    _log(tx, entry, now_ms, "abandoned", reason)


def release(tx: sqlite3.Connection, destination: str | None = None) -> int:
    """Free what was claimed, by one channel or by any, and never settled: it is sent again."""
    sql = "UPDATE outbox SET claimed = 0 WHERE claimed = 1 AND (?1 IS NULL OR destination = ?1)"
    return tx.execute(sql, (destination,)).rowcount


def dead_letters(conn: sqlite3.Connection) -> list[Entry]:
    """List the notices that were given up, oldest first."""
    return entries(conn, state="abandoned")


def resend(tx: sqlite3.Connection, notice: str, now_ms: int) -> bool:
    """Make a given-up notice due again, with a fresh schedule; false when there is none."""
    sql = (
        "UPDATE outbox SET state = 'pending', attempts = 0, created_ms = ?, due_ms = ?, "
        "settled_ms = NULL WHERE id = ? AND state = 'abandoned'"
    )
    return tx.execute(sql, (now_ms, now_ms, notice)).rowcount == 1


def entries(
    conn: sqlite3.Connection, *, alarm_id: str | None = None, state: str | None = None
) -> list[Entry]:
    """List the notices of an alarm or in a state, oldest first."""
    sql = (
        f"SELECT {_COLUMNS} FROM outbox WHERE (?1 IS NULL OR alarm_id = ?1) "  # noqa: S608 - our own names
        "AND (?2 IS NULL OR state = ?2) ORDER BY seq"
    )
    return [_entry(row) for row in conn.execute(sql, (alarm_id, state))]


def attempts(conn: sqlite3.Connection, *, alarm_id: str | None = None) -> list[Attempt]:
    """List who was told when: every try, oldest first."""
    sql = (
        "SELECT notice_id, destination, time_ms, outcome, detail FROM attempt WHERE ?1 IS NULL "
        "OR notice_id IN (SELECT id FROM outbox WHERE alarm_id = ?1) ORDER BY seq"
    )
    names = ("notice_id", "destination", "time_ms", "outcome", "detail")
    return [
        Attempt(**dict(zip(names, row, strict=True))) for row in conn.execute(sql, (alarm_id,))
    ]


def waiting(conn: sqlite3.Connection) -> tuple[int, int | None]:
    """Count the pending notices and give the creation time [ms] of the oldest."""
    sql = "SELECT count(*), min(created_ms) FROM outbox WHERE state = 'pending'"
    count, oldest = conn.execute(sql).fetchone()
    return count, oldest


def _log(tx: sqlite3.Connection, entry: Entry, now_ms: int, outcome: str, detail: str) -> None:
    tx.execute(_LOG, (entry.id, entry.destination, now_ms, outcome, detail))


def _entry(row: Any) -> Entry:
    names = _COLUMNS.split(", ")
    values: dict[str, Any] = dict(zip(names, row, strict=True))
    values["matter"] = Matter(values["matter"])
    values["priority"] = Priority(values["priority"])
    values["evidence"] = numbers.decode(values["evidence"])
    return Entry(**values)
