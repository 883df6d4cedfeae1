"""What people do about alarms they have on a page: nothing is done to what has changed since unseen."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass

from alerts import answer, history, ledger, lifecycle
from alerts.alarm import LATCHED, Event, State
from alerts.answer import Answered
from alerts.ledger import Alarm
from models.transition import Priority

OPEN = frozenset({State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED})
"""The states in which nobody has acknowledged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """An alarm as it stood on the page that somebody answers."""

    alarm_id: str
    turn: int
    priority: Priority

    def __str__(self) -> str:
        return f"{self.alarm_id}:{self.turn}:{int(self.priority)}"


class Changed(Exception):
    """An alarm is no longer as somebody saw it, so nothing was done."""

    def __init__(self, alarm: Alarm) -> None:
        super().__init__(alarm.id)
        self.alarm = alarm


def as_seen(alarm: Alarm) -> Seen:
    """Give what goes along with a page that shows this alarm."""
    return Seen(alarm_id=alarm.id, turn=alarm.turn, priority=alarm.priority)


def seen_of(text: str) -> tuple[Seen, ...]:
    """Read what stood on a page; what is not as we wrote it was not seen."""
    found: list[Seen] = []
    known = {str(int(priority)): priority for priority in Priority}
    for part in text.split():
        name, _, rest = part.partition(":")
        turn, _, level = rest.partition(":")
        if name and turn.isascii() and turn.isdigit() and len(turn) < 10 and level in known:
            found.append(Seen(alarm_id=name, turn=int(turn), priority=known[level]))
    return tuple(found)


def acknowledge_seen(
    tx: sqlite3.Connection, seen: Iterable[Seen], *, by: str, comment: str, now_ms: int
) -> tuple[Answered, ...]:
    """Write down that somebody knows of these alarms, as far as they were shown them."""
    return tuple(
        answer.acknowledge(
            tx,
            each.alarm_id,
            each.turn,
            by=by,
            comment=comment,
            now_ms=now_ms,
            seen={each.alarm_id: each.priority},
        )
        for each in seen
    )


def looked_at(
    tx: sqlite3.Connection, seen: Seen, *, by: str, comment: str, now_ms: int
) -> Alarm:
    """End an alarm that waits for a look: somebody has looked at the truck.

    Raises
    ------
    LookupError
        No alarm has this id.
    Changed
        It does not wait for a look, or not this time that it came.
    """
    alarm = ledger.get(tx, seen.alarm_id)
    if alarm is None:
        raise LookupError(seen.alarm_id)
    if alarm.state not in LATCHED or alarm.turn != seen.turn:
        raise Changed(alarm)
    return lifecycle.reset(tx, alarm.id, by=by, now_ms=now_ms, comment=comment)


def reset_by(conn: sqlite3.Connection, alarm: Alarm) -> str | None:
    """Name who closed an alarm last by saying that they had looked; None: nobody, or it came again since."""
    steps = [each for each in history.events(conn, alarm.id) if each.event is not Event.COMMENT]
    return steps[-1].by if steps and steps[-1].event is Event.RESET else None
