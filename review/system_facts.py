"""How Heatbook itself does: what came and how late, what was refused, what waits to be told."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass

from alerts import content, outbox, sending
from alerts.outbox import Entry as Telling
from alerts.phrases import HEADS
from alerts.sending import Sending, What
from ingest import inbox, postponed, quarantine, record
from ingest.decoded import REASONS
from ingest.postponed import Waiting as Postponed
from ingest.quarantine import Entry, Totals

LATE_OF = 2_000
"""Of so many of the newest commits it is counted how late samples come [-]."""

SHOWN = 50
"""Notices that are listed at most; all are counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """What came: when last, and how long after its newest sample a commit of a truck arrived [ms].

    ``half_ms``, ``most_ms``: what half of the ``commits``, and 95 of 100, do not exceed; None where none
    came. ``pending``: trucks with entries of the record that do not count yet.
    """

    last_ms: int | None
    heard_ms: int | None
    commits: int
    half_ms: int | None
    most_ms: int | None
    inbox: bool
    postponed: Postponed
    pending: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why messages were refused: how many entries, how often, and the newest."""

    reason: str
    words: str
    entries: int
    times: int
    newest: Entry


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """A notice that waits or was given up: to whom, about what, since when, and why.

    ``id`` is empty while it is not yet in anything that is sent.
    """

    id: str
    to: str
    about: str
    since_ms: int
    next_ms: int | None
    tries: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SystemFacts:
    """All of it; ``unread``: fields that nothing reads, and how often each came."""

    arrival: Arrival
    totals: Totals
    reasons: tuple[Reason, ...]
    unread: tuple[tuple[str, int], ...]
    waiting: tuple[Waiting, ...]
    waiting_count: int
    given_up: tuple[Waiting, ...]
    given_up_count: int


def system_facts(conn: sqlite3.Connection) -> SystemFacts:
    """Read how the system does."""
    count, _ = sending.waiting(conn)
    dead = sending.dead_letters(conn)
    return SystemFacts(
        arrival=_arrival(conn),
        totals=quarantine.totals(conn),
        reasons=reasons(conn),
        unread=tuple(conn.execute(_UNREAD)),
        waiting=_waiting(conn),
        waiting_count=count,
        given_up=tuple(
            _of_sending(conn, each, given_up=True) for each in dead[: -SHOWN - 1 : -1]
        ),
        given_up_count=len(dead),
    )


def reasons(conn: sqlite3.Connection) -> tuple[Reason, ...]:
    """Count what was refused by its reason, that with the newest first."""
    found = []
    for reason, entries, times in conn.execute(_REASONS).fetchall():
        (newest,) = quarantine.listing(conn, reason=reason, limit=1)
        words = REASONS.get(reason, reason)
        found.append(
            Reason(reason=reason, words=words, entries=entries, times=times, newest=newest)
        )
    return tuple(found)


_REASONS = """
SELECT reason, count(*), sum(times) FROM quarantine GROUP BY reason ORDER BY max(id) DESC
"""
_UNREAD = "SELECT name, times FROM unknown_field ORDER BY times DESC, name LIMIT 10"
_LATE = """
SELECT received_ms - last_ms FROM journal ORDER BY id DESC LIMIT ?
"""


def _arrival(conn: sqlite3.Connection) -> Arrival:
    late = sorted(max(0, row[0]) for row in conn.execute(_LATE, (LATE_OF,)))
    (last_ms,) = conn.execute("SELECT max(committed_ms) FROM source_position").fetchone()
    (heard_ms,) = conn.execute("SELECT max(last_heard_ms) FROM vehicle").fetchone()
    return Arrival(
        last_ms=last_ms,
        heard_ms=heard_ms,
        commits=len(late),
        half_ms=_within(late, 0.5),
        most_ms=_within(late, 0.95),
        inbox=inbox.waiting(conn),
        postponed=postponed.waiting(conn),
        pending=tuple(record.pending(conn)),
    )


def _within(ordered: Sequence[int], share: float) -> int | None:
    """Give what a share of them does not exceed (nearest rank)."""
    if not ordered:
        return None
    return ordered[max(0, math.ceil(share * len(ordered)) - 1)]


def _waiting(conn: sqlite3.Connection) -> tuple[Waiting, ...]:
    tellings = outbox.entries(conn, state="pending")[:SHOWN]
    reports = [
        each for each in sending.sendings(conn, state="pending") if each.what is What.REPORT
    ]
    return (
        *(_of_telling(conn, each) for each in tellings),
        *(_of_sending(conn, each, given_up=False) for each in reports[: SHOWN - len(tellings)]),
    )


def _of_telling(conn: sqlite3.Connection, telling: Telling) -> Waiting:
    return Waiting(
        id="",
        to=telling.destination,
        about=_about(conn, telling),
        since_ms=telling.created_ms,
        next_ms=telling.due_ms,
        tries=telling.attempts,
        why=telling.last_error,
    )


def _of_sending(conn: sqlite3.Connection, each: Sending, *, given_up: bool) -> Waiting:
    tellings = outbox.entries(conn, sending_id=each.id)
    about = _about(conn, tellings[0]) if tellings else _subject(each)
    more = len(tellings) - 1
    return Waiting(
        id=each.id,
        to=each.destination,
        about=f"{about} and {more} more" if more > 0 else about,
        since_ms=(each.settled_ms or each.created_ms) if given_up else each.created_ms,
        next_ms=None if given_up else each.due_ms,
        tries=each.attempts,
        why=each.last_error,
    )


def _subject(each: Sending) -> str:
    return content.decode(each.content).subject if each.content else "nothing any more"


def _about(conn: sqlite3.Connection, telling: Telling) -> str:
    vehicle = sending.vehicle_of(conn, telling.alarm_id)
    return f"{HEADS[telling.matter]} {telling.priority.name} {vehicle}"
