"""From what Heatbook knows of itself to alarms in the ledger: the same life as a truck's."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import replace

from alerts import ledger
from alerts.alarm import Event, Matter
from alerts.announce import announce, clear
from alerts.identity import alarm_id
from alerts.ledger import STANDING, Alarm
from alerts.lifecycle import again, arise, move
from alerts.own.conditions import CONDITIONS, Condition
from alerts.own.facts import OURSELVES, Facts, Found, Limits
from alerts.policy import Policy

OVER = "it is as it should be again"


def tick(
    tx: sqlite3.Connection,
    *,
    facts: Facts,
    limits: Limits,
    policy: Policy,
    conditions: Sequence[Condition] = CONDITIONS,
) -> list[Alarm]:
    """Raise what holds now, let rise what got worse, end what is over; give what changed.

    People whose first way is a channel that fails are told by another of theirs.
    """
    policy = replace(policy, avoided=frozenset(facts.channels))
    changed = [_follow(tx, each, facts, limits, policy) for each in conditions]
    return [alarm for alarm in changed if alarm is not None]


def _follow(
    tx: sqlite3.Connection, condition: Condition, facts: Facts, limits: Limits, policy: Policy
) -> Alarm | None:
    standing = _standing(tx, condition.kind)
    found = condition.find(facts, limits, standing=standing is not None)
    if standing is None:
        return _raise(tx, condition.kind, found, facts.now_ms, policy) if found else None
    if found is None:
        return clear(
            tx,
            replace(standing, remark=OVER),
            cleared_ms=facts.now_ms,
            now_ms=facts.now_ms,
            policy=policy,
        )
    return _go_on(tx, standing, found, facts.now_ms, policy)


def _raise(
    tx: sqlite3.Connection, kind: str, found: Found, now_ms: int, policy: Policy
) -> Alarm | None:
    name = alarm_id(OURSELVES, kind, now_ms)
    before = ledger.get(tx, name)
    alarm = before or Alarm(
        id=name,
        vehicle=OURSELVES,
        kind=kind,
        onset_ms=now_ms,
        raised_ms=now_ms,
        priority=found.priority,
        probability=1.0,
        evidence=found.evidence,
        watched=True,
        first_seen_ms=now_ms,
    )
    # A clock that was set back may name the same moment twice.
    alarm = replace(again(alarm) if before else alarm, raised_ms=now_ms, remark="")
    event = Event.RECUR if before else Event.RAISE
    alarm, matter = arise(tx, alarm, event, now_ms=now_ms, policy=policy)
    if matter is None:
        return alarm
    return announce(tx, alarm, matter, time_ms=now_ms, now_ms=now_ms, policy=policy)


def _go_on(
    tx: sqlite3.Connection, standing: Alarm, found: Found, now_ms: int, policy: Policy
) -> Alarm | None:
    """Tell when it got more urgent; where it is about other things than before, take their numbers."""
    worse = found.priority > standing.priority
    if not worse and found.evidence.keys() == standing.evidence.keys():
        return None
    priority = max(found.priority, standing.priority)
    alarm = replace(standing, priority=priority, evidence=found.evidence)
    if not worse:
        ledger.save(tx, alarm)
        return alarm
    alarm, matter = move(tx, alarm, Event.RISE, now_ms=now_ms)
    if matter is not Matter.RISE:
        return alarm
    return announce(tx, alarm, matter, time_ms=now_ms, now_ms=now_ms, policy=policy)


def _standing(tx: sqlite3.Connection, kind: str) -> Alarm | None:
    found = ledger.find(
        tx, f"{STANDING} AND vehicle = ? AND kind = ? AND active", (OURSELVES, kind)
    )
    return next(iter(found), None)
