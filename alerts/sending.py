"""Sendings: one message to one destination, and what became of it.

A sending of alarms is made of tellings (``alerts.gathering``) in the transaction that claims it, and
from then on holds the same tellings under the same id, whatever happens; its tellings share its
fate. A report (``alerts.report``) is a sending whose whole content is in its row. A claim is
settled after the try; a crash in between sends it again under the same id.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, fields
from enum import StrEnum
from itertools import chain
from typing import Any

from alerts import ledger, outbox
from alerts.alarm import Matter
from alerts.ledger import Alarm
from alerts.outbox import Entry
from alerts.telling import tell_how_it_ended
from models.transition import Priority


class What(StrEnum):
    """What a sending is made of."""

    ALARMS = "alarms"
    REPORT = "report"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sending:
    """One message to one destination, and how far it has come.

    ``content`` is the notice as it was worded for the first try (``alerts.content``), empty until
    then and after the delivery. ``first_ms`` and ``tried_ms`` are the first and the last try of the
    present schedule. ``moved_from`` is the destination that could not be reached before (reports;
    tellings say it themselves).
    """

    id: str
    destination: str
    what: What
    content: str
    priority: Priority
    created_ms: int
    due_ms: int
    attempts: int
    first_ms: int | None
    tried_ms: int | None
    state: str
    settled_ms: int | None
    last_error: str
    moved_from: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A telling with the alarm it is about."""

    entry: Entry
    alarm: Alarm


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """One try to tell somebody, and what came of it; the notice's id is that of its sending."""

    notice_id: str
    destination: str
    time_ms: int
    outcome: str
    detail: str


THREAD_LENGTH = 10
"""Earlier notices that a notice names at most."""

_NAMES = tuple(field.name for field in fields(Sending))
_COLUMNS = ", ".join(_NAMES)
_LOG = """
INSERT INTO attempt (notice_id, destination, time_ms, outcome, detail) VALUES (?, ?, ?, ?, ?)
"""
_FREEZE = "UPDATE sending SET content = ? WHERE id = ? AND content = ''"
_CLAIM = """
UPDATE sending SET claimed = 1, attempts = attempts + 1, tried_ms = ?1, due_ms = min(due_ms, ?1),
    first_ms = coalesce(first_ms, ?1) WHERE id = ?2
"""
_SETTLE = """
UPDATE sending SET claimed = 0, state = 'delivered', settled_ms = ?, last_error = '', content = ''
WHERE id = ?
"""
_DEFER = "UPDATE sending SET claimed = 0, due_ms = ?, last_error = ? WHERE id = ?"
_GIVE_UP = """
UPDATE sending SET claimed = 0, state = 'abandoned', settled_ms = ?, last_error = ?
WHERE id = ? AND state = 'pending'
"""
_FATE = "UPDATE outbox SET state = ?, settled_ms = ? WHERE sending_id = ?"
_RESEND = """
UPDATE sending SET state = 'pending', attempts = 0, created_ms = ?1, due_ms = ?1, first_ms = NULL,
    settled_ms = NULL WHERE id = ?2 AND state = 'abandoned'
"""
_UNSEEN = "DELETE FROM sending WHERE id = ? AND state = 'abandoned' AND tried_ms IS NULL"
_FREE = """
UPDATE outbox SET sending_id = NULL, state = 'pending', settled_ms = NULL WHERE sending_id = ?
"""
_REST = """
UPDATE sending SET state = 'cancelled', last_error = last_error || '; seen by ' || ?
WHERE id = ? AND state = 'abandoned'
"""
_RELEASE = """
UPDATE sending SET claimed = 0 WHERE claimed = 1 AND (?1 IS NULL OR channel = ?1)
"""
#: A notice goes on from those before it about the same alarms; cancelled ones were never tried.
_THREAD = """
SELECT DISTINCT earlier.id FROM sending AS earlier
JOIN outbox AS theirs ON theirs.sending_id = earlier.id
JOIN outbox AS mine ON mine.alarm_id = theirs.alarm_id AND mine.sending_id = ?1
JOIN sending ON sending.id = ?1
WHERE earlier.destination = sending.destination AND earlier.seq < sending.seq
    AND earlier.state <> 'cancelled' ORDER BY earlier.seq
"""
_WAITING = """
SELECT count(*), min(created_ms) FROM (
    SELECT created_ms FROM outbox WHERE state = 'pending'
    UNION ALL SELECT created_ms FROM sending WHERE state = 'pending' AND what = 'report')
"""


def claim(tx: sqlite3.Connection, name: str, now_ms: int) -> Sending:
    """Take a sending to try it; the try counts from here."""
    tx.execute(_CLAIM, (now_ms, name))
    return sendings(tx, name=name)[0]


def told(conn: sqlite3.Connection, name: str) -> list[Told]:
    """List the tellings of a sending with their alarms, oldest first; a report has none."""
    entries = outbox.entries(conn, sending_id=name)
    found = ((entry, ledger.get(conn, entry.alarm_id)) for entry in entries)
    return [Told(entry=entry, alarm=alarm) for entry, alarm in found if alarm is not None]


def thread(conn: sqlite3.Connection, name: str) -> tuple[str, ...]:
    """List the earlier sendings to the same destination about the same alarms, oldest first.

    Of very many the first and the newest: they hold a thread together (RFC 5537 section 3.4.4 lets the
    middle be left out, from memory).
    """
    found = tuple(row[0] for row in conn.execute(_THREAD, (name,)))
    return found if len(found) <= THREAD_LENGTH else (found[0], *found[1 - THREAD_LENGTH :])


def alarms_of(conn: sqlite3.Connection, name: str) -> tuple[tuple[str, int], ...]:
    """List the alarms a sending tells of, each with its newest turn there."""
    sql = (
        "SELECT alarm_id, max(turn) FROM outbox WHERE sending_id = ? "
        "GROUP BY alarm_id ORDER BY min(seq)"
    )
    return tuple(conn.execute(sql, (name,)).fetchall())


def vehicle_of(conn: sqlite3.Connection, alarm_id: str) -> str:
    """Give the truck of an alarm."""
    alarm = ledger.get(conn, alarm_id)
    return alarm.vehicle if alarm else ""


def freeze(tx: sqlite3.Connection, name: str, content: str) -> None:
    """Keep the words of the first try: every later one says the same."""
    tx.execute(_FREEZE, (content, name))


def settle(tx: sqlite3.Connection, sending: Sending, now_ms: int, detail: str) -> None:
    """Write down that a sending was delivered."""
    tx.execute(_SETTLE, (now_ms, sending.id))
    tx.execute(_FATE, ("delivered", now_ms, sending.id))
    _log(tx, sending, now_ms, "delivered", detail)


def defer(
    tx: sqlite3.Connection, sending: Sending, now_ms: int, *, due_ms: int, reason: str
) -> None:
    """Put a sending back for another try at ``due_ms``."""
    tx.execute(_DEFER, (due_ms, reason, sending.id))
    _log(tx, sending, now_ms, "deferred", reason)


def give_up(tx: sqlite3.Connection, sending: Sending, now_ms: int, reason: str) -> None:
    """Lay a sending aside for a person to see; it is not lost (see ``dead_letters``)."""
    tx.execute(_GIVE_UP, (now_ms, reason, sending.id))
    tx.execute(_FATE, ("abandoned", now_ms, sending.id))
    _log(tx, sending, now_ms, "abandoned", reason)


def release(tx: sqlite3.Connection, channel: str | None = None) -> int:
    """Free what was claimed, by one channel or by any, and never settled: it is sent again."""
    return tx.execute(_RELEASE, (channel,)).rowcount


def dead_letters(conn: sqlite3.Connection) -> list[Sending]:
    """List the sendings that were given up, oldest first."""
    return sendings(conn, state="abandoned")


def resend(tx: sqlite3.Connection, name: str, now_ms: int) -> bool:
    """Make a given-up sending due again, with a fresh schedule; false when there is none.

    One whose alarms have all been withdrawn meanwhile tells what is known to be untrue: it stays. What
    was never handed over (nobody was at its destination) is taken apart, and may leave in one bundle.
    Of an alarm that is over meanwhile, that follows.
    """
    about = told(tx, name)
    done = _due_again(tx, name, about, now_ms)
    for one in about if done else ():
        tell_how_it_ended(tx, one.alarm, one.entry, now_ms=now_ms)
    return done


def resend_all(tx: sqlite3.Connection, channel: str | None, now_ms: int) -> int:
    """Make all that was given up by a channel (or by any) due again; give how many."""
    dead = sendings(tx, state="abandoned", channel=channel)
    found = [(each.id, told(tx, each.id)) for each in dead]
    again = [about for name, about in found if _due_again(tx, name, about, now_ms)]
    # Not before all are: the end of an alarm may be among them.
    for one in chain.from_iterable(again):
        tell_how_it_ended(tx, one.alarm, one.entry, now_ms=now_ms)
    return len(again)


def _due_again(tx: sqlite3.Connection, name: str, about: list[Told], now_ms: int) -> bool:
    if about and all(
        one.alarm.withdrawn and one.entry.matter is not Matter.WITHDRAWN for one in about
    ):
        return False
    if about and tx.execute(_UNSEEN, (name,)).rowcount == 1:
        tx.execute(_FREE, (name,))
        return True
    if tx.execute(_RESEND, (now_ms, name)).rowcount != 1:
        return False
    tx.execute(_FATE, ("pending", None, name))
    return True


def put_to_rest(tx: sqlite3.Connection, name: str, by: str) -> bool:
    """Take a given-up sending off the list, because somebody has seen it; false when there is none."""
    if tx.execute(_REST, (by, name)).rowcount != 1:
        return False
    tx.execute("UPDATE outbox SET state = 'cancelled' WHERE sending_id = ?", (name,))
    return True


def sendings(
    conn: sqlite3.Connection,
    *,
    name: str | None = None,
    state: str | None = None,
    channel: str | None = None,
    alarm_id: str | None = None,
) -> list[Sending]:
    """List the sendings by their id, state, channel, or the alarm they tell of, oldest first."""
    wanted = {"id = ?": name, "state = ?": state, "channel = ?": channel}
    wanted["id IN (SELECT sending_id FROM outbox WHERE alarm_id = ?)"] = alarm_id
    given = {clause: value for clause, value in wanted.items() if value is not None}
    where = " AND ".join(given) or "1"
    sql = f"SELECT {_COLUMNS} FROM sending WHERE {where} ORDER BY seq"  # noqa: S608 - our own names
    return [_sending(row) for row in conn.execute(sql, tuple(given.values()))]


def attempts(conn: sqlite3.Connection, *, alarm_id: str | None = None) -> list[Attempt]:
    """List who was told when: every try, oldest first."""
    sql = (
        "SELECT notice_id, destination, time_ms, outcome, detail FROM attempt WHERE ?1 IS NULL "
        "OR notice_id IN (SELECT sending_id FROM outbox WHERE alarm_id = ?1) ORDER BY seq"
    )
    names = tuple(field.name for field in fields(Attempt))
    return [
        Attempt(**dict(zip(names, row, strict=True))) for row in conn.execute(sql, (alarm_id,))
    ]


def waiting(conn: sqlite3.Connection) -> tuple[int, int | None]:
    """Count the tellings and reports that wait, and give the creation time [ms] of the oldest."""
    count, oldest = conn.execute(_WAITING).fetchone()
    return count, oldest


def _log(
    tx: sqlite3.Connection, sending: Sending, now_ms: int, outcome: str, detail: str
) -> None:
    tx.execute(_LOG, (sending.id, sending.destination, now_ms, outcome, detail))


def _sending(row: Sequence[Any]) -> Sending:
    values: dict[str, Any] = dict(zip(_NAMES, row, strict=True))
    values["what"] = What(values["what"])
    values["priority"] = Priority(values["priority"])
    return Sending(**values)
