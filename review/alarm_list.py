"""Which alarms stand and which have been: all, or those of a truck, a kind, a priority, a state."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from alerts import hold, ledger
from alerts.alarm import HELD, State
from alerts.hold import Hold
from alerts.ledger import STANDING, Alarm
from alerts.life_rules import HoldRules
from models.transition import Priority

PAGE = 50
"""Alarms of the past that are given at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What is asked for; None: any. ``priority``: this one and those above it."""

    truck: str | None = None
    kind: str | None = None
    priority: Priority | None = None
    state: State | None = None

    @property
    def all(self) -> bool:
        """Say whether nothing is left out."""
        return (self.truck, self.kind, self.priority, self.state) == (None,) * 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One alarm that stands, and the hold that it is under, if any."""

    alarm: Alarm
    cover: Hold | None


@dataclass(frozen=True, slots=True)
class Mark:
    """A place among all alarms by onset: from here on a list goes on, whatever has come or changed since."""

    onset_ms: int
    alarm_id: str

    def __str__(self) -> str:
        return f"{self.onset_ms}-{self.alarm_id}"

    @classmethod
    def of(cls, text: str) -> Mark | None:
        """Read a mark; None: it is none."""
        onset, _, name = text.partition("-")
        # SQLite counts to 2**63: what is longer was not written by us.
        sound = onset.isascii() and onset.isdigit() and len(onset) <= 18 and name.isalnum()
        return cls(int(onset), name) if sound else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """Alarms that are over or were withdrawn, newest first; ``next`` is where the list goes on."""

    alarms: tuple[Alarm, ...]
    next: Mark | None


def standing_alarms(
    conn: sqlite3.Connection, wanted: Wanted, *, now_ms: int, rules: HoldRules
) -> tuple[Row, ...]:
    """List the alarms that stand: most urgent first; what is over after them, and what is held last."""
    where, values = _where(wanted)
    found = ledger.find(conn, f"{STANDING}{where}", values)
    return tuple(
        Row(alarm=alarm, cover=cover_of(conn, alarm, now_ms=now_ms, rules=rules))
        for alarm in sorted(found, key=urgency)
    )


def past_alarms(
    conn: sqlite3.Connection, wanted: Wanted, *, after: Mark | None = None, limit: int = PAGE
) -> Past:
    """List what is over and needs nobody, newest onset first, withdrawn ones included."""
    where, values = _where(wanted)
    if after is not None:
        where += " AND (onset_ms, id) < (?, ?)"
        values = (*values, after.onset_ms, after.alarm_id)
    found = ledger.find(
        conn,
        f"NOT ({STANDING}){where}",
        (*values, limit + 1),
        order="onset_ms DESC, id DESC LIMIT ?",
    )
    last = found[limit - 1] if len(found) > limit else None
    return Past(
        alarms=tuple(found[:limit]), next=None if last is None else Mark(last.onset_ms, last.id)
    )


def cover_of(
    conn: sqlite3.Connection, alarm: Alarm, *, now_ms: int, rules: HoldRules
) -> Hold | None:
    """Give the hold that an alarm is under, if any."""
    if alarm.state not in HELD:
        return None
    return hold.cover(
        conn, alarm.vehicle, alarm.kind, now_ms, priority=alarm.priority, rules=rules
    )


def urgency(alarm: Alarm) -> tuple[bool, bool, int, int, str]:
    """Give the key by which standing alarms are put in order."""
    return alarm.state in HELD, not alarm.active, -alarm.priority, alarm.onset_ms, alarm.id


def _where(wanted: Wanted) -> tuple[str, tuple[object, ...]]:
    told = {
        "vehicle = ?": wanted.truck,
        "kind = ?": wanted.kind,
        "priority >= ?": None if wanted.priority is None else int(wanted.priority),
        "state = ?": None if wanted.state is None else wanted.state.value,
    }
    given = {clause: value for clause, value in told.items() if value is not None}
    return "".join(f" AND {clause}" for clause in given), tuple(given.values())
