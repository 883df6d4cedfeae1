"""What a channel sends next: a sending that waits for another try, or tellings made into a new one.

Choosing reads; taking writes, in one transaction: the tellings become a sending and its first try is
counted. The tellings of one alarm to one destination leave in order, whatever fails.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass

from alerts import sending
from alerts.destination import person_of
from alerts.identity import sending_id
from alerts.pace import HOUR_MS, USUAL, PaceRules, Waiting, next_ms
from alerts.sending import Sending
from models.transition import Priority

OPEN_AT_ONCE = 2
"""Sendings to one reader that may wait for another try side by side. A second, in case it is the first
itself that is refused; more would be a flood when the far side is back: the rest becomes one bundle. What
is critical waits for none but critical ones."""

_CRITICAL = int(Priority.CRITICAL)

#: A due time set by a clock that has been put back since is not waited for.
_DUE = "(mine.due_ms <= :now OR mine.created_ms > :now)"
#: The same of what was tried, by its last try: when it was made, years ahead, says nothing of the next.
_DUE_AGAIN = "(mine.due_ms <= :now OR coalesce(mine.tried_ms, mine.created_ms) > :now)"
_BEFORE = """
SELECT 1 FROM outbox AS earlier WHERE earlier.alarm_id = mine.alarm_id
    AND earlier.destination = mine.destination AND earlier.state = 'pending'
    AND earlier.seq < mine.seq
"""
_FREE = f"""
FROM outbox AS mine WHERE mine.channel = :channel AND mine.state = 'pending'
    AND mine.sending_id IS NULL AND {_DUE}
"""
#: A bundle takes the earlier tellings of an alarm along, unless they are under way or not due.
_BUNDLED = f"""
{_FREE} AND NOT EXISTS ({_BEFORE} AND (earlier.sending_id IS NOT NULL
    OR NOT (earlier.due_ms <= :now OR earlier.created_ms > :now)))
"""
_BUNDLES = f"""
SELECT mine.destination, max(mine.priority), min(mine.due_ms),
    min(CASE WHEN mine.priority = {_CRITICAL} THEN mine.due_ms END)
{_BUNDLED} GROUP BY mine.destination
"""
_MEMBERS = f"SELECT mine.id {_BUNDLED} AND mine.destination = :destination ORDER BY mine.seq"
_SINGLE = f"""
SELECT mine.id, mine.destination, mine.priority, mine.due_ms
{_FREE} AND NOT EXISTS ({_BEFORE}) ORDER BY mine.priority DESC, mine.seq LIMIT 1
"""
#: What comes after a sending has to wait for it, being of the same alarm to the same reader.
_BEHIND = """
SELECT max(later.priority) FROM outbox AS own JOIN outbox AS later ON later.alarm_id = own.alarm_id
WHERE own.sending_id = mine.id AND later.destination = own.destination
    AND later.state = 'pending' AND later.seq > own.seq AND later.sending_id IS NULL
"""
_URGENCY = f"max(mine.priority, coalesce(({_BEHIND}), 0))"
_URGENCY_OF = f"SELECT {_URGENCY} FROM sending AS mine WHERE mine.id = ?"  # noqa: S608 - our own text
_AGAIN = f"""
SELECT mine.id, mine.destination, {_URGENCY} AS urgency, mine.due_ms, mine.attempts, mine.created_ms
FROM sending AS mine WHERE mine.channel = :channel AND mine.state = 'pending'
    AND mine.claimed = 0 AND {_DUE_AGAIN}
    AND NOT EXISTS (
        SELECT 1 FROM outbox AS own JOIN outbox AS earlier ON earlier.alarm_id = own.alarm_id
        WHERE own.sending_id = mine.id AND earlier.destination = own.destination
            AND earlier.state = 'pending' AND earlier.seq < own.seq
            AND earlier.sending_id IS NOT mine.id)
ORDER BY urgency DESC, mine.seq
"""  # noqa: S608 - our own text
_RECENT = """
SELECT tried_ms FROM sending WHERE destination = ? AND id <> ? AND tried_ms > ? AND tried_ms <= ?
"""
_OPEN = """
SELECT count(*) FROM sending
WHERE destination = ? AND priority >= ? AND state = 'pending' AND attempts > 0
"""
_MAKE = """
INSERT INTO sending (id, destination, what, priority, created_ms, due_ms)
SELECT ?1, min(destination), 'alarms', max(priority), ?2, ?2 FROM outbox
WHERE id IN (SELECT value FROM json_each(?3))
"""
_JOIN = "UPDATE outbox SET sending_id = ? WHERE id IN (SELECT value FROM json_each(?))"


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What one look for work goes by.

    ``trying``: the channel is tried after a rest; then what was tried least goes first, so that one notice
    the far side chokes on does not shut the way for all others.
    """

    channel: str
    bundles: bool
    now_ms: int
    pace: PaceRules = USUAL
    trying: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """What is to be sent next: a sending by its id, or (empty) the tellings ``members``."""

    sending_id: str
    destination: str
    priority: int
    since_ms: int
    attempts: int = 0
    members: tuple[str, ...] = ()


def choose(conn: sqlite3.Connection, look: Look) -> Choice | None:
    """Give what a channel should send now: the most urgent, then the oldest; None for nothing."""
    found = [
        *_again(conn, look),
        *(_bundles(conn, look) if look.bundles else _single(conn, look)),
    ]
    return min(found, key=lambda choice: _rank(choice, look), default=None)


def take(tx: sqlite3.Connection, look: Look) -> Sending | None:
    """Claim what a channel should send now; tellings become a sending with that."""
    choice = choose(tx, look)
    if choice is None:
        return None
    members = choice.members
    if not choice.sending_id and not members:
        members = _members(tx, look, choice.destination)
    name = choice.sending_id or make(tx, members, look.now_ms)
    return sending.claim(tx, name, look.now_ms)


def make(tx: sqlite3.Connection, members: tuple[str, ...], now_ms: int) -> str:
    """Make a sending of these tellings, give its id."""
    name = sending_id(members)
    ids = json.dumps(members)
    tx.execute(_MAKE, (name, now_ms, ids))
    tx.execute(_JOIN, (name, ids))
    return name


def gather_all(tx: sqlite3.Connection, destination: str, now_ms: int) -> list[str]:
    """Make sendings of all that waits at a destination, give the ids of those that wait there.

    A person gets one for all, a machine one for each, as when they are sent.
    """
    sql = (
        "SELECT id FROM outbox WHERE destination = ? AND state = 'pending' "
        "AND sending_id IS NULL ORDER BY seq"
    )
    waiting = [row[0] for row in tx.execute(sql, (destination,))]
    for members in (
        [tuple(waiting)] if person_of(destination) else [(each,) for each in waiting]
    ):
        if members:
            make(tx, members, now_ms)
    sql = "SELECT id FROM sending WHERE destination = ? AND state = 'pending' ORDER BY seq"
    return [row[0] for row in tx.execute(sql, (destination,))]


def waiting_at(conn: sqlite3.Connection) -> list[str]:
    """List the destinations at which anything waits."""
    sql = (
        "SELECT destination FROM outbox WHERE state = 'pending' "
        "UNION SELECT destination FROM sending WHERE state = 'pending' ORDER BY 1"
    )
    return [row[0] for row in conn.execute(sql)]


def urgent(conn: sqlite3.Connection, name: str) -> bool:
    """Tell whether a sending is critical, or anything critical waits for it to be out of the way."""
    (found,) = conn.execute(_URGENCY_OF, (name,)).fetchone()
    return int(found) == _CRITICAL


def _rank(choice: Choice, look: Look) -> tuple[int, int, int, str]:
    tried = choice.attempts if look.trying else 0
    return tried, -choice.priority, choice.since_ms, choice.destination


def _again(conn: sqlite3.Connection, look: Look) -> Iterator[Choice]:
    for name, destination, priority, due_ms, attempts, since_ms in conn.execute(
        _AGAIN, {"channel": look.channel, "now": look.now_ms}
    ).fetchall():
        critical_ms = due_ms if priority == _CRITICAL else None
        waits = Waiting(since_ms=due_ms - look.pace.gather_ms, critical_since_ms=critical_ms)
        if not look.bundles or _paced(conn, look, destination, waits, name):
            yield Choice(
                sending_id=name,
                destination=destination,
                priority=priority,
                since_ms=since_ms,
                attempts=attempts,
            )


def _bundles(conn: sqlite3.Connection, look: Look) -> Iterator[Choice]:
    for destination, priority, since_ms, critical_ms in conn.execute(
        _BUNDLES, {"channel": look.channel, "now": look.now_ms}
    ).fetchall():
        waits = Waiting(since_ms=since_ms, critical_since_ms=critical_ms)
        least = 0 if critical_ms is None else _CRITICAL
        few = _open(conn, destination, least) < OPEN_AT_ONCE
        if few and _paced(conn, look, destination, waits):
            yield Choice(
                sending_id="", destination=destination, priority=priority, since_ms=since_ms
            )


def _single(conn: sqlite3.Connection, look: Look) -> Iterator[Choice]:
    for name, destination, priority, since_ms in conn.execute(
        _SINGLE, {"channel": look.channel, "now": look.now_ms}
    ).fetchall():
        yield Choice(
            sending_id="",
            destination=destination,
            priority=priority,
            since_ms=since_ms,
            members=(name,),
        )


def _members(conn: sqlite3.Connection, look: Look, destination: str) -> tuple[str, ...]:
    given = {"channel": look.channel, "now": look.now_ms, "destination": destination}
    return tuple(row[0] for row in conn.execute(_MEMBERS, given))


def _open(conn: sqlite3.Connection, destination: str, least: int) -> int:
    """Count the sendings of this priority and above that were refused for now."""
    return int(conn.execute(_OPEN, (destination, least)).fetchone()[0])


def _paced(
    conn: sqlite3.Connection, look: Look, destination: str, waits: Waiting, name: str = ""
) -> bool:
    """Tell whether a reader may be told now; times that lie ahead are from before a clock was put back."""
    span = (look.now_ms - HOUR_MS, look.now_ms)
    recent = [row[0] for row in conn.execute(_RECENT, (destination, name, *span))]
    due_ms = next_ms(recent, waits, look.pace)
    return due_ms <= look.now_ms or waits.since_ms > look.now_ms
