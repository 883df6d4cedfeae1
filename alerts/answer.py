"""What an answer to a notice does: whether the alarm may still be acknowledged by it, and doing so."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from alerts import ledger, lifecycle
from alerts.alarm import HELD, Event, State, step
from alerts.ledger import Alarm
from models.transition import Priority


class Verdict(StrEnum):
    """What an answer comes to."""

    OPEN = "open"
    DONE = "done"
    ALREADY = "already acknowledged"
    OVER = "over"
    HELD = "held back"
    CAME_AGAIN = "came again"
    WORSE = "worse than when it was shown"
    WITHDRAWN = "withdrawn"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """One alarm of an answer, None where the store has none of that id, and what came of it."""

    alarm: Alarm | None
    verdict: Verdict


def look(conn: sqlite3.Connection, alarm_id: str, turn: int) -> Answered:
    """Say what an answer to an alarm in a turn would come to; nothing is changed."""
    alarm = ledger.get(conn, alarm_id)
    return Answered(alarm=alarm, verdict=_verdict(alarm, turn))


def acknowledge(
    tx: sqlite3.Connection,
    alarm_id: str,
    turn: int,
    *,
    by: str,
    comment: str,
    now_ms: int,
    seen: Mapping[str, Priority],
) -> Answered:
    """Write down that somebody knows of an alarm, as far as they were shown it.

    ``seen``: the priority that each alarm had on the page that is answered. What is worse by now, or was
    not on it, is not acknowledged.
    """
    found = look(tx, alarm_id, turn)
    if found.verdict is not Verdict.OPEN or found.alarm is None:
        return found
    if found.alarm.priority > seen.get(alarm_id, 0):
        return Answered(alarm=found.alarm, verdict=Verdict.WORSE)
    try:
        known = lifecycle.acknowledge(
            tx, alarm_id, by=by, now_ms=now_ms, comment=comment, turn=turn
        )
    except lifecycle.CameAgain:
        return Answered(alarm=found.alarm, verdict=Verdict.CAME_AGAIN)
    return Answered(alarm=known, verdict=Verdict.DONE)


def _verdict(alarm: Alarm | None, turn: int) -> Verdict:
    if alarm is None:
        return Verdict.UNKNOWN
    if alarm.withdrawn:
        return Verdict.WITHDRAWN
    if alarm.turn != turn:
        return Verdict.CAME_AGAIN
    if alarm.state in HELD:
        return Verdict.HELD
    if step(alarm.state, Event.ACKNOWLEDGE).state is not alarm.state:
        return Verdict.OPEN
    # Whoever acknowledged an earlier turn does not count for this one.
    return Verdict.OVER if alarm.state is State.NORMAL else Verdict.ALREADY
