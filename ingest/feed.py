"""How far the feed to a time-series server is: all that it remembers, in the store.

The server may be away for days: what is not sent yet is the journal itself. Nothing here knows what kind of
server it is; ``deploy/influx_feeder.py`` does the sending.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

MOST_REFUSED = 1000
"""So many refused lines are kept to be looked at, the newest."""

HOUR_MS = 3_600_000

Trouble = Literal["", "away", "settings", "refused"]

_STATE = (
    "SELECT place, journal_id, points, refused, expired, last_sent_ms, trouble, reason, "
    "trouble_since_ms FROM feed"
)
_WAITING = "SELECT max(0, coalesce((SELECT max(id) FROM journal), 0) - ?)"
_OLDEST = "SELECT received_ms FROM journal WHERE id > ? ORDER BY id LIMIT 1"
_UNSENT = (
    "SELECT 1 FROM feed JOIN journal ON journal.id > feed.journal_id WHERE journal.id IN ({}) "
    "AND journal.id NOT IN (SELECT journal_id FROM feed_gathered) LIMIT 1"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedState:
    """How far the feed is, and what keeps it from going on.

    ``trouble``: "away" (the server is down, slow or busy), "settings" (address, token, organisation, bucket),
    "refused" (it takes next to nothing of what it is sent), or "". ``rows_waiting``: rows of the journal, at
    most. ``oldest_unsent_ms``: when the first of them was received.
    """

    place: str
    journal_id: int
    rows_waiting: int
    oldest_unsent_ms: int | None
    points: int
    refused: int
    expired: int
    last_sent_ms: int | None
    trouble: Trouble
    reason: str
    trouble_since_ms: int | None
    spans_waiting: int
    hours_waiting: int
    erasures_waiting: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A line that the server takes in no way."""

    vehicle: str
    time_ms: int
    line: str
    reason: str
    refused_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """What came of sending: points taken, lines refused, samples older than the server keeps."""

    points: int
    expired: int
    refused: Sequence[Refused] = ()


def begin(tx: sqlite3.Connection, place: str) -> None:
    """Feed a place; one that is not the one before gets all that the journal has."""
    row = tx.execute("SELECT place FROM feed").fetchone()
    if row is not None and row[0] == place:
        return
    for table in ("feed", "feed_gathered", "feed_again", "feed_hour"):
        tx.execute(f"DELETE FROM {table}")  # noqa: S608 - our own names
    tx.execute("INSERT INTO feed VALUES (1, ?, 0, 0, 0, 0, NULL, '', '', NULL)", (place,))


def state(conn: sqlite3.Connection) -> FeedState | None:
    """Tell how far the feed is; None where nothing was ever fed."""
    row = conn.execute(_STATE).fetchone()
    if row is None:
        return None
    place, journal_id, points, refused, expired, last_sent_ms, trouble, reason, since_ms = row
    oldest = conn.execute(_OLDEST, (journal_id,)).fetchone()
    return FeedState(
        place=place,
        journal_id=journal_id,
        rows_waiting=conn.execute(_WAITING, (journal_id,)).fetchone()[0],
        oldest_unsent_ms=None if oldest is None else oldest[0],
        points=points,
        refused=refused,
        expired=expired,
        last_sent_ms=last_sent_ms,
        trouble=trouble,
        reason=reason,
        trouble_since_ms=since_ms,
        spans_waiting=_count(conn, "feed_again"),
        hours_waiting=_count(conn, "feed_hour"),
        erasures_waiting=_count(conn, "feed_erase"),
    )


def reached(conn: sqlite3.Connection) -> int:
    """Tell up to which row of the journal all is sent."""
    return int(conn.execute("SELECT journal_id FROM feed").fetchone()[0])


def troubled(tx: sqlite3.Connection, trouble: Trouble, reason: str, now_ms: int) -> None:
    """Write down what keeps the feed from going on, "" for nothing."""
    since_ms = now_ms if trouble else None
    tx.execute(
        "UPDATE feed SET trouble_since_ms = CASE WHEN trouble = ?1 THEN trouble_since_ms ELSE ?3 "
        "END, trouble = ?1, reason = ?2",
        (trouble, reason, since_ms),
    )


def advance(tx: sqlite3.Connection, journal_id: int, sent: Sent, now_ms: int) -> None:
    """Write down that all rows up to one are sent."""
    tx.execute("UPDATE feed SET journal_id = ?", (journal_id,))
    tx.execute("DELETE FROM feed_gathered WHERE journal_id <= ?", (journal_id,))
    count(tx, sent, now_ms)


def count(tx: sqlite3.Connection, sent: Sent, now_ms: int) -> None:
    """Write down what came of sending."""
    tx.execute(
        "UPDATE feed SET points = points + ?, refused = refused + ?, expired = expired + ?, "
        "last_sent_ms = ?, trouble = '', reason = '', trouble_since_ms = NULL",
        (sent.points, len(sent.refused), sent.expired, now_ms),
    )
    tx.executemany(
        "INSERT OR REPLACE INTO feed_refused (vehicle, time_ms, line, reason, refused_ms) "
        "VALUES (?, ?, ?, ?, ?)",
        [
            (each.vehicle, each.time_ms, each.line, each.reason, each.refused_ms)
            for each in sent.refused
        ],
    )
    tx.execute(
        "DELETE FROM feed_refused WHERE id <= (SELECT max(id) FROM feed_refused) - ?",
        (MOST_REFUSED,),
    )


def refused(conn: sqlite3.Connection) -> list[Refused]:
    """Give the refused lines that are kept, newest first."""
    rows = conn.execute(
        "SELECT vehicle, time_ms, line, reason, refused_ms FROM feed_refused ORDER BY id DESC"
    )
    return [
        Refused(vehicle=vehicle, time_ms=time_ms, line=line, reason=reason, refused_ms=at_ms)
        for vehicle, time_ms, line, reason, at_ms in rows
    ]


def unsent(conn: sqlite3.Connection, rows: Sequence[int]) -> bool:
    """Say whether a feed still has to send any of these rows of the journal."""
    marks = ", ".join("?" * len(rows))
    return conn.execute(_UNSENT.format(marks), tuple(rows)).fetchone() is not None


def gathered(tx: sqlite3.Connection, journal_id: int) -> None:
    """Note that a new row holds nothing but what was sent: it need not be sent again."""
    if fed(tx):
        tx.execute("INSERT INTO feed_gathered VALUES (?)", (journal_id,))


def again(tx: sqlite3.Connection, *, vehicle_id: int, first_ms: int, end_ms: int) -> None:
    """Have a span of a truck sent, wherever it lies; nothing where nothing is fed."""
    if fed(tx):
        tx.execute(
            "INSERT INTO feed_again (vehicle_id, first_ms, end_ms) SELECT ?1, ?2, ?3 WHERE NOT EXISTS ("
            "SELECT 1 FROM feed_again WHERE (vehicle_id, first_ms, end_ms) = (?1, ?2, ?3))",
            (vehicle_id, first_ms, end_ms),
        )


def sum_up(tx: sqlite3.Connection, hours: Iterable[tuple[int, int]]) -> None:
    """Have the sums of hours made anew: truck and time [Unix ms] of each."""
    tx.executemany("INSERT OR IGNORE INTO feed_hour VALUES (?, ?)", hours)


def erase(tx: sqlite3.Connection, *, vehicle_id: int, vehicle: str) -> None:
    """Have all of a truck deleted on the server before anything else is sent; nothing if none is fed."""
    if not fed(tx):
        return
    for table in ("feed_again", "feed_hour"):
        tx.execute(f"DELETE FROM {table} WHERE vehicle_id = ?", (vehicle_id,))  # noqa: S608 - our own names
    tx.execute("DELETE FROM feed_refused WHERE vehicle = ?", (vehicle,))
    tx.execute("INSERT OR IGNORE INTO feed_erase (vehicle) VALUES (?)", (vehicle,))


def fed(conn: sqlite3.Connection) -> bool:
    """Say whether the store is fed to a server, or was."""
    return conn.execute("SELECT 1 FROM feed").fetchone() is not None


def _count(conn: sqlite3.Connection, table: str) -> int:
    return int(conn.execute(f"SELECT count(*) FROM {table}").fetchone()[0])  # noqa: S608 - our own names
