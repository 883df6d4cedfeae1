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
    """Say what an answer to an alarm in a turn would come to; nothing is changed.

    An alarm that came and went too often to be told each time may be another by now: then that one.
    """
    try:
        alarm = lifecycle.meant(conn, alarm_id, turn)
    except LookupError:
        return Answered(alarm=None, verdict=Verdict.UNKNOWN)
    except lifecycle.CameAgain:
        return Answered(alarm=ledger.get(conn, alarm_id), verdict=Verdict.CAME_AGAIN)
    return Answered(alarm=alarm, verdict=_verdict(alarm))


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
    if found.alarm.priority > seen.get(found.alarm.id, 0):
        return Answered(alarm=found.alarm, verdict=Verdict.WORSE)
    known = lifecycle.acknowledge(
        tx, found.alarm.id, by=by, now_ms=now_ms, comment=comment, turn=found.alarm.turn
    )
    return Answered(alarm=known, verdict=Verdict.DONE)


def _verdict(alarm: Alarm) -> Verdict:
    if alarm.withdrawn:
        return Verdict.WITHDRAWN
    if alarm.state in HELD:
        return Verdict.HELD
    if step(alarm.state, Event.ACKNOWLEDGE).state is not alarm.state:
        return Verdict.OPEN
    return Verdict.OVER if alarm.state is State.NORMAL else Verdict.ALREADY
