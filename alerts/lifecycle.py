"""The one door through which the state of an alarm changes: each step is taken, kept and written down."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any

from alerts import history, hold, ledger
from alerts.alarm import HELD, HOLDS, LATCHED, Event, Matter, State, step
from alerts.ledger import STANDING, Alarm, among
from alerts.policy import Policy

_CONDITION: Mapping[Event, Mapping[str, Any]] = MappingProxyType(
    {
        Event.RAISE: {"active": True, "cleared_ms": None},
        Event.RECUR: {"active": True, "cleared_ms": None},
        Event.RISE: {},
        Event.CLEAR: {"active": False},
        Event.WITHDRAW: {"active": False, "withdrawn": True},
    }
)
"""What the samples bring, and what it makes of the condition: kept though the state stays as it is."""

EVENT_OF = {state: event for event, state in HOLDS.items()}
"""The event that begins a hold of each kind."""

_AWAITING = frozenset(State) - HELD - {State.NORMAL}


class CameAgain(Exception):
    """The alarm that somebody means is over and another stands in its place: they have not seen that one."""


def move(
    tx: sqlite3.Connection,
    alarm: Alarm,
    event: Event,
    *,
    now_ms: int,
    by: str = "",
    comment: str = "",
    latches: bool = False,
) -> tuple[Alarm, Matter | None]:
    """Take one step, save it and write it down; give the alarm after it and what is to be announced."""
    after = step(alarm.state, event, active=alarm.active, latches=latches)
    condition = _CONDITION.get(event)
    changed = replace(alarm, state=after.state, **(condition or {}))
    ledger.save(tx, changed)
    if after.state is not alarm.state or condition is not None:
        history.note(tx, alarm, event, after.state, now_ms=now_ms, by=by, comment=comment)
    return changed, after.matter


def again(alarm: Alarm) -> Alarm:
    """Begin a new turn of an alarm: nobody has been told of this one.

    While it is held, or comes and goes, it stays one turn: those who were told wait to hear how it ends.
    """
    if alarm.chattering or alarm.state in HELD:
        return alarm
    return replace(
        alarm, turn=alarm.turn + 1, told_priority=0, told_ms=None, escalated=0, remark=""
    )


def arise(
    tx: sqlite3.Connection, alarm: Alarm, event: Event, *, now_ms: int, policy: Policy
) -> tuple[Alarm, Matter | None]:
    """Raise an alarm, new or again: under the hold that covers it, in place of the one before."""
    held = hold.cover(
        tx, alarm.vehicle, alarm.kind, now_ms, priority=alarm.priority, rules=policy.holds
    )
    if held is not None and held.state is not alarm.state:
        alarm, _ = move(
            tx, alarm, EVENT_OF[held.state], now_ms=now_ms, by=held.by, comment=held.reason
        )
    alarm, matter = move(tx, alarm, event, now_ms=now_ms)
    _hand_over(tx, alarm.vehicle, alarm.kind, now_ms, policy)
    return alarm, matter


def acknowledge(
    tx: sqlite3.Connection,
    alarm_id: str,
    *,
    by: str,
    now_ms: int,
    comment: str = "",
    turn: int | None = None,
) -> Alarm:
    """Write down that somebody knows; an alarm that needs no acknowledgement is given as it is.

    Raises
    ------
    LookupError
        No alarm has this id.
    CameAgain
        It went and came again since ``turn``, the one that was seen.
    """
    alarm = meant(tx, alarm_id, turn)
    moved, _ = move(tx, alarm, Event.ACKNOWLEDGE, now_ms=now_ms, by=by, comment=comment)
    if moved.state is alarm.state:
        return alarm
    known = replace(moved, acknowledged_ms=now_ms, acknowledged_by=by, comment=comment)
    ledger.save(tx, known)
    return known


def meant(conn: sqlite3.Connection, alarm_id: str, turn: int | None = None) -> Alarm:
    """Give the alarm that somebody means who saw it in this ``turn`` (None: as it stands now).

    Who was told that an alarm comes and goes knows all of it: then the one that stands now is meant.

    Raises
    ------
    LookupError
        No alarm has this id.
    CameAgain
        It went and came again since.
    """
    alarm = _known(conn, alarm_id)
    later = _in_place_of(conn, alarm)
    if alarm.chattering:
        return later or alarm
    if later or (turn is not None and turn != alarm.turn):
        raise CameAgain(alarm_id)
    return alarm


def reset(
    tx: sqlite3.Connection, alarm_id: str, *, by: str, now_ms: int, comment: str = ""
) -> Alarm:
    """End a latched alarm: somebody has looked at what it is about. Any other is given as it is.

    Raises
    ------
    LookupError
        No alarm has this id.
    """
    alarm = _known(tx, alarm_id)
    if alarm.state is State.LATCHED:
        alarm = acknowledge(tx, alarm_id, by=by, now_ms=now_ms, comment=comment)
    return move(tx, alarm, Event.RESET, now_ms=now_ms, by=by, comment=comment)[0]


def comment_on(
    tx: sqlite3.Connection, alarm_id: str, *, by: str, now_ms: int, comment: str
) -> Alarm:
    """Write something down about an alarm that changes nothing about it.

    Raises
    ------
    LookupError
        No alarm has this id.
    """
    alarm = _known(tx, alarm_id)
    history.note(tx, alarm, Event.COMMENT, alarm.state, now_ms=now_ms, by=by, comment=comment)
    return alarm


def repaired(
    tx: sqlite3.Connection, vehicle: str, *, at_ms: int, by: str, now_ms: int, comment: str
) -> list[Alarm]:
    """Reset what came before a repair at ``at_ms`` [Unix ms] and is latched: the work was the look.

    That it is over may show only in samples after the repair; what then comes again is raised anew.
    """
    found = ledger.find(
        tx,
        f"{STANDING} AND vehicle = ? AND state {among(LATCHED)} AND raised_ms <= ?",
        (vehicle, at_ms),
    )
    return [reset(tx, each.id, by=by, now_ms=now_ms, comment=comment) for each in found]


def _known(conn: sqlite3.Connection, alarm_id: str) -> Alarm:
    alarm = ledger.get(conn, alarm_id)
    if alarm is None:
        raise LookupError(alarm_id)
    return alarm


def _in_place_of(conn: sqlite3.Connection, alarm: Alarm) -> Alarm | None:
    """Give the alarm that stands in place of one that is over, if another does."""
    if alarm.state is not State.NORMAL or alarm.withdrawn:
        return None
    found = ledger.find(
        conn,
        f"{STANDING} AND vehicle = ? AND kind = ? AND onset_ms > ? AND state {among(_AWAITING)}",
        (alarm.vehicle, alarm.kind, alarm.onset_ms),
        order="onset_ms DESC, id LIMIT 1",
    )
    return next(iter(found), None)


def _hand_over(
    tx: sqlite3.Connection, vehicle: str, kind: str, now_ms: int, policy: Policy
) -> None:
    """Let what is over give way to what came after it: it is one alarm that came again.

    What is latched gives way only to what will latch itself; what was told before it was held stays,
    for those who were told wait to hear how it ends.
    """
    rows = ledger.find(
        tx,
        f"{STANDING} AND vehicle = ? AND kind = ? AND state <> 'normal'",
        (vehicle, kind),
        order="onset_ms, first_seen_ms, id",
    )
    for index, old in enumerate(rows):
        later = rows[index + 1 :]
        if not old.active and _gives_way(old, later, policy):
            move(tx, old, Event.SUPERSEDE, now_ms=now_ms)


def _gives_way(old: Alarm, later: list[Alarm], policy: Policy) -> bool:
    if old.state in HELD and old.told_priority:
        return False
    latches = any(policy.latches(each.kind, each.priority) for each in later)
    if old.state in LATCHED or (old.state in HELD and policy.latches(old.kind, old.priority)):
        return latches
    return bool(later)
