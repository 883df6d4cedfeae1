"""Provisional alarms: what the daemon sees live, before any sample can confirm it.

A silence raised here bears the id of the episode the kernel will find if the gap is real; if
the truck's stored backlog fills the gap, the alarm simply returns to normal.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, replace

from alerts import ledger
from alerts.alarm import Event, Matter, State
from alerts.announce import announce, clear
from alerts.identity import alarm_id
from alerts.ledger import STANDING, Alarm
from alerts.lifecycle import again, arise
from alerts.link import UP, Link
from alerts.policy import Policy
from alerts.silence_evidence import of_all, of_one
from alerts.silence_words import MOVING
from alerts.watch import EVERYBODY, SILENT, LastHeard, Outage, SilenceLimits, fallen, judge
from models.transition import Priority

CAME_AGAIN = "samples came again"
LINK_AGAIN = "connected to the broker again"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticked:
    """What a tick did, and the ``listening_since_ms`` to hand to the next one."""

    raised: tuple[Alarm, ...]
    cleared: tuple[Alarm, ...]
    announced: tuple[Alarm, ...]
    listening_since_ms: int


def tick(
    tx: sqlite3.Connection,
    *,
    heard: Mapping[str, LastHeard],
    now_ms: int,
    limits: SilenceLimits,
    policy: Policy,
    listening_since_ms: int,
    link: Link = UP,
) -> Ticked:
    """Raise the silences of now, clear those that ended, tell of late alarms that stand.

    ``link`` is our own connection to the broker: while it is down nobody can be heard.
    """
    cleared = _ended(tx, heard, now_ms, policy, limits, link)
    if any(alarm.vehicle == EVERYBODY for alarm in cleared):
        listening_since_ms = now_ms
    listening_since_ms = max(listening_since_ms, link.listening_since_ms)
    outages = _outages(tx, now_ms, limits)
    onsets = judge(
        heard,
        now_ms,
        limits,
        listening_since_ms=listening_since_ms,
        link=link,
        outages=outages,
    )
    raised = [
        raise_silent(
            tx,
            vehicle=vehicle,
            onset_ms=onset_ms,
            now_ms=now_ms,
            policy=policy,
            evidence=of_all(heard, now_ms, limits, link)
            if vehicle == EVERYBODY
            else of_one(heard[vehicle], now_ms, outages),
        )
        for vehicle, onset_ms in onsets.items()
    ]
    newest = {vehicle: last.time_ms for vehicle, last in heard.items()}
    announced = catch_up(tx, newest_ms=newest, now_ms=now_ms, policy=policy)
    return Ticked(
        raised=tuple(alarm for alarm in raised if alarm),
        cleared=tuple(cleared),
        announced=tuple(announced),
        listening_since_ms=listening_since_ms,
    )


def raise_silent(
    tx: sqlite3.Connection,
    *,
    vehicle: str,
    onset_ms: int,
    now_ms: int,
    policy: Policy,
    evidence: Mapping[str, float],
    priority: Priority = Priority.MEDIUM,
) -> Alarm | None:
    """Raise a provisional silence; ``None`` when one already stands for this truck."""
    if _standing(tx, vehicle):
        return None
    name = alarm_id(vehicle, SILENT, onset_ms)
    held = ledger.get(tx, name)
    alarm = held or Alarm(
        id=name,
        vehicle=vehicle,
        kind=SILENT,
        onset_ms=onset_ms,
        raised_ms=now_ms,
        priority=priority,
        probability=1.0,
        evidence=evidence,
        first_seen_ms=now_ms,
    )
    alarm = replace(
        again(alarm) if held else alarm,
        raised_ms=now_ms,
        withdrawn=False,
        provisional=True,
        watched=True,
        evidence=evidence,
        remark="",
    )
    event = Event.RECUR if held else Event.RAISE
    alarm, matter = arise(tx, alarm, event, now_ms=now_ms, policy=policy)
    if matter is None:
        return alarm
    return announce(tx, alarm, matter, time_ms=onset_ms, now_ms=now_ms, policy=policy)


def samples_came(
    tx: sqlite3.Connection,
    *,
    vehicle: str,
    now_ms: int,
    policy: Policy,
    remark: str = CAME_AGAIN,
) -> list[Alarm]:
    """Return to normal the provisional silence of a truck (or of ``EVERYBODY``)."""
    return [
        clear(
            tx, replace(alarm, remark=remark), cleared_ms=now_ms, now_ms=now_ms, policy=policy
        )
        for alarm in _standing(tx, vehicle)
        if alarm.provisional
    ]


def catch_up(
    tx: sqlite3.Connection, *, newest_ms: Mapping[str, int], now_ms: int, policy: Policy
) -> list[Alarm]:
    """Tell of alarms that were found late but still stand, once the truck's data is current.

    While a backlog is read nobody knows whether what it shows is long over; once the newest
    sample is fresh and the condition still holds, it is news.
    """
    untold = ledger.find(
        tx,
        f"{STANDING} AND active AND told_priority < priority AND state = ?",
        (State.UNACKNOWLEDGED,),
    )
    return [
        announce(
            tx,
            ledger.get(tx, alarm.id) or alarm,
            Matter.RISE if alarm.told_priority else Matter.ACTIVE,
            time_ms=alarm.raised_ms,
            now_ms=now_ms,
            policy=policy,
        )
        for alarm in untold
        if policy.fresh(newest_ms.get(alarm.vehicle, 0), now_ms)
    ]


def _standing(tx: sqlite3.Connection, vehicle: str) -> list[Alarm]:
    return ledger.find(
        tx, f"{STANDING} AND vehicle = ? AND kind = ? AND active", (vehicle, SILENT)
    )


def _ended(
    tx: sqlite3.Connection,
    heard: Mapping[str, LastHeard],
    now_ms: int,
    policy: Policy,
    limits: SilenceLimits,
    link: Link,
) -> list[Alarm]:
    """Clear the provisional silences of those heard since they were raised."""
    newest_ms = max((last.heard_ms for last in heard.values()), default=0)
    # Where nobody moves nobody sends: that the link stands again is the end of it then.
    connected_ms = link.since_ms if link.connected and len(fallen(heard, limits)) <= 1 else 0
    ended: list[Alarm] = []
    for alarm in ledger.find(
        tx, f"{STANDING} AND active AND provisional AND kind = ?", (SILENT,)
    ):
        last = heard.get(alarm.vehicle)
        heard_ms = newest_ms if alarm.vehicle == EVERYBODY else last.heard_ms if last else 0
        linked = alarm.vehicle == EVERYBODY and connected_ms >= alarm.raised_ms
        if heard_ms > alarm.raised_ms or linked:
            remark = CAME_AGAIN if heard_ms > alarm.raised_ms else LINK_AGAIN
            ended += samples_came(
                tx, vehicle=alarm.vehicle, now_ms=now_ms, policy=policy, remark=remark
            )
    return ended


def _outages(tx: sqlite3.Connection, now_ms: int, limits: SilenceLimits) -> list[Outage]:
    """Give the general silences of late; one that took a single truck excuses nobody."""
    # Longer than they excuse anybody: what is told of a truck after that still names the outage.
    since_ms = now_ms - 2 * limits.after_outage_ms
    found = ledger.find(
        tx,
        "vehicle = ? AND kind = ? AND NOT withdrawn AND (active OR cleared_ms > ?)",
        (EVERYBODY, SILENT, since_ms),
        order="raised_ms, id",
    )
    return [
        Outage(
            from_ms=alarm.onset_ms - 2 * limits.everybody_after_ms,
            told_ms=alarm.raised_ms,
            ended_ms=None if alarm.active else alarm.cleared_ms,
        )
        for alarm in found
        if alarm.evidence.get(MOVING, math.inf) > 1.0
    ]
