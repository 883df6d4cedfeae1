"""An alarm that stands is told, and that it is over: unless it is held back on purpose or comes and goes."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import replace

from alerts import chatter
from alerts.alarm import HELD, LATCHED, Event, Matter
from alerts.ledger import Alarm
from alerts.lifecycle import move
from alerts.policy import Policy
from alerts.telling import tell_over, tell_standing

STAYS = "It stays listed until somebody has looked, acknowledged it and reset it"


def announce(
    tx: sqlite3.Connection,
    alarm: Alarm,
    matter: Matter,
    *,
    time_ms: int,
    now_ms: int,
    policy: Policy,
    also: Iterable[str] = (),
    remark: str = "",
) -> Alarm:
    """Tell whom it concerns that an alarm is active or rose; nobody while it is held.

    ``also`` are destinations that were told of it before; ``remark`` is said in this notice.
    """
    if alarm.state in HELD:
        return alarm
    not_before_ms = 0
    if matter is Matter.ACTIVE:
        alarm, admitted = chatter.admit(
            tx, alarm, time_ms=time_ms, now_ms=now_ms, policy=policy
        )
        if admitted is None:
            return alarm
        matter = admitted
        not_before_ms = chatter.until_ms(tx, alarm, now_ms, policy.chatter)
    return tell_standing(
        tx,
        alarm,
        matter,
        time_ms=time_ms,
        now_ms=now_ms,
        policy=policy,
        also=also,
        remark=remark,
        not_before_ms=not_before_ms,
    )


def clear(
    tx: sqlite3.Connection, alarm: Alarm, *, cleared_ms: int, now_ms: int, policy: Policy
) -> Alarm:
    """Take down that the condition is over, and tell those who were told of it, however late."""
    over, matter = move(
        tx,
        replace(alarm, cleared_ms=cleared_ms),
        Event.CLEAR,
        now_ms=now_ms,
        latches=policy.latches(alarm.kind, alarm.priority),
    )
    # Of what comes and goes it is told how it stands when it has come to rest.
    if matter and not chatter.going(tx, over.vehicle, over.kind):
        remark = STAYS if over.state in LATCHED else ""
        tell_over(tx, over, now_ms=now_ms, policy=policy, remark=remark)
    return over
