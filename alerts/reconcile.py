"""Bring the ledger in line with changed episodes, and tell whom it concerns, once.

The transitions are a pure function of the samples; the ledger is not: it remembers what the
daemon knew when, and whom it told. Here the one is laid beside the other.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import replace
from types import MappingProxyType

from alerts import ledger, outbox
from alerts.alarm import Event, Matter, State, step
from alerts.episode import Episode, Key, episode
from alerts.identity import alarm_id
from alerts.ledger import Alarm
from alerts.policy import Policy, Subject, at_once

_FOREVER = 1 << 62

NOTHING_ENDED: Mapping[str, int] = MappingProxyType({})


def reconcile(
    tx: sqlite3.Connection,
    *,
    vehicle: str,
    keys: Iterable[Key],
    now_ms: int,
    policy: Policy,
    rebuilt: bool = False,
    ended: Mapping[str, int] = NOTHING_ENDED,
) -> list[Alarm]:
    """Apply the episodes named by ``keys`` to the ledger; give the alarms that changed.

    ``ended``: since when [ms] a kind is over, though no sample says so yet; of its alarms nobody need
    be told that they are active. ``rebuilt``: not new samples but changed settings or models made
    the difference. What people were told then was right by the rules of its time: nothing is
    withdrawn.
    """
    wanted = sorted(set(keys))
    policy = replace(policy, quiet_when_over=policy.quiet_when_over | ended.keys())
    present = {
        key: _over(found, ended) for key in wanted if (found := episode(tx, vehicle, key))
    }
    matched = {key: _holder(tx, vehicle, key) for key in present}
    orphans = _orphans(tx, vehicle, wanted, set(present))
    for key in [key for key, alarm in matched.items() if alarm is None]:
        matched[key] = _overlapping(present[key], orphans)
    changed = [
        _apply(tx, vehicle, found, matched[key], now_ms, policy)
        for key, found in present.items()
    ]
    gone = [alarm for alarm in orphans if not alarm.provisional]
    if rebuilt:
        return [*changed, *(_outlive(tx, alarm, now_ms) for alarm in gone)]
    return [*changed, *(_vanish(tx, alarm, present.values(), now_ms) for alarm in gone)]


def _over(found: Episode, ended: Mapping[str, int]) -> Episode:
    """Give an episode that no sample has ended yet with the end that is known otherwise."""
    if not found.active or found.kind not in ended:
        return found
    return replace(found, cleared_ms=max(found.raised_ms, ended[found.kind]))


def announce(
    tx: sqlite3.Connection,
    alarm: Alarm,
    matter: Matter,
    *,
    time_ms: int,
    now_ms: int,
    policy: Policy,
) -> Alarm:
    """Tell the channels of an alarm's priority that it is active or rose, and remember that."""
    told = replace(alarm, told_priority=int(alarm.priority), told_ms=alarm.told_ms or now_ms)
    ledger.save(tx, told)
    tellings = policy.tellings(subject(told), now_ms)
    outbox.post(tx, told, matter, tellings, time_ms=time_ms, now_ms=now_ms)
    return told


def subject(alarm: Alarm) -> Subject:
    """Give what the policy goes by when it says who is told of an alarm."""
    return Subject(vehicle=alarm.vehicle, kind=alarm.kind, priority=alarm.priority)


def clear(tx: sqlite3.Connection, alarm: Alarm, *, cleared_ms: int, now_ms: int) -> Alarm:
    """Return an alarm to normal and tell those who were told of it, however late."""
    after = step(alarm.state, Event.CLEAR)
    normal = replace(alarm, state=after.state, active=False, cleared_ms=cleared_ms)
    ledger.save(tx, normal)
    if after.matter:
        told = at_once(outbox.told(tx, normal))
        outbox.post(tx, normal, after.matter, told, time_ms=cleared_ms, now_ms=now_ms)
    return normal


def begin(vehicle: str, found: Episode, now_ms: int, *, nth: int = 0) -> Alarm:
    """Make the alarm of an episode, before any event."""
    return Alarm(
        id=alarm_id(vehicle, found.kind, found.onset_ms, nth),
        vehicle=vehicle,
        kind=found.kind,
        onset_ms=found.onset_ms,
        raised_ms=found.raised_ms,
        active=False,
        priority=found.priority,
        probability=found.probability,
        evidence=found.evidence,
        first_seen_ms=now_ms,
    )


def _holder(tx: sqlite3.Connection, vehicle: str, key: Key) -> Alarm | None:
    same = ledger.find(
        tx,
        "vehicle = ? AND kind = ? AND onset_ms = ?",
        (vehicle, *key),
        order="withdrawn, first_seen_ms, id",
    )
    return next(iter(same), None)


def _orphans(
    tx: sqlite3.Connection, vehicle: str, wanted: list[Key], present: set[Key]
) -> list[Alarm]:
    """Find the alarms whose episode is gone, and the provisional ones no episode confirms."""
    kinds = {kind for kind, _ in wanted}
    alarms = [
        alarm
        for kind in sorted(kinds)
        for alarm in ledger.find(
            tx, "vehicle = ? AND kind = ? AND provisional AND NOT withdrawn", (vehicle, kind)
        )
    ]
    for key in wanted:
        if key not in present:
            held = _holder(tx, vehicle, key)
            if held and not held.withdrawn and not held.provisional:
                alarms.append(held)
    return [alarm for alarm in alarms if (alarm.kind, alarm.onset_ms) not in present]


def _overlapping(found: Episode, orphans: list[Alarm]) -> Alarm | None:
    """Take from the orphans the one that is this episode under another onset."""
    near = [alarm for alarm in orphans if _overlap(found, alarm)]
    best = min(near, key=lambda a: (abs(a.onset_ms - found.onset_ms), a.id), default=None)
    if best is not None:
        orphans.remove(best)
    return best


def _overlap(found: Episode, alarm: Alarm) -> bool:
    if alarm.kind != found.kind:
        return False
    end = found.cleared_ms or _FOREVER
    return found.onset_ms <= (alarm.cleared_ms or _FOREVER) and alarm.onset_ms <= end


def _event(alarm: Alarm | None, found: Episode) -> Event | None:
    """Tell what an episode means to its alarm, its end left aside."""
    if alarm is None:
        return Event.RAISE
    if alarm.withdrawn or (found.active and not alarm.active):
        return Event.RECUR
    seen_live = alarm.provisional and alarm.watched
    if alarm.active and not seen_live and found.priority > alarm.priority:
        return Event.RISE
    return None


def _apply(
    tx: sqlite3.Connection,
    vehicle: str,
    found: Episode,
    held: Alarm | None,
    now_ms: int,
    policy: Policy,
) -> Alarm:
    event = _event(held, found)
    before = held or _fresh(tx, vehicle, found, now_ms, policy)
    alarm = _updated(before, found, event)
    matter = None
    if event is not None:
        after = step(alarm.state, event)
        alarm = replace(alarm, state=after.state, active=True, cleared_ms=None)
        matter = after.matter
    ledger.save(tx, alarm)
    if matter and _news(matter, found, now_ms, policy):
        time_ms = found.peak_ms if matter is Matter.RISE else found.raised_ms
        alarm = announce(tx, alarm, matter, time_ms=time_ms, now_ms=now_ms, policy=policy)
    if found.cleared_ms is None:
        return alarm
    return _end(tx, alarm, found.cleared_ms, now_ms)


def _end(tx: sqlite3.Connection, alarm: Alarm, cleared_ms: int, now_ms: int) -> Alarm:
    if alarm.active:
        return clear(tx, alarm, cleared_ms=cleared_ms, now_ms=now_ms)
    moved = replace(alarm, cleared_ms=cleared_ms)
    ledger.save(tx, moved)
    return moved


def _fresh(
    tx: sqlite3.Connection, vehicle: str, found: Episode, now_ms: int, policy: Policy
) -> Alarm:
    """Begin an alarm under a free id: a moved alarm may still bear the id of this onset."""
    nth = 0
    while ledger.get(tx, alarm_id(vehicle, found.kind, found.onset_ms, nth)):
        nth += 1
    late = not policy.fresh(found.raised_ms, now_ms)
    return replace(begin(vehicle, found, now_ms, nth=nth), late=late)


def _updated(alarm: Alarm, found: Episode, event: Event | None) -> Alarm:
    again = event is Event.RECUR
    return replace(
        alarm,
        onset_ms=found.onset_ms,
        raised_ms=found.raised_ms,
        priority=found.priority,
        probability=found.probability,
        evidence=found.evidence,
        provisional=False,
        withdrawn=False,
        turn=alarm.turn + again,
        told_priority=0 if again else alarm.told_priority,
        told_ms=None if again else alarm.told_ms,
        escalated=0 if again else alarm.escalated,
        remark="" if again else alarm.remark,
    )


def _news(matter: Matter, found: Episode, now_ms: int, policy: Policy) -> bool:
    if not found.active and found.kind in policy.quiet_when_over:
        return False
    return policy.fresh(found.peak_ms if matter is Matter.RISE else found.raised_ms, now_ms)


def _vanish(
    tx: sqlite3.Connection, alarm: Alarm, present: Iterable[Episode], now_ms: int
) -> Alarm:
    """Deal with an alarm whose episode the full set of samples does not show."""
    if alarm.watched:
        return _unconfirmed(tx, alarm, now_ms)
    merged = any(_overlap(found, alarm) for found in present)
    gone = replace(
        alarm,
        withdrawn=True,
        active=False,
        state=State.NORMAL,
        cleared_ms=alarm.cleared_ms or now_ms,
        remark="part of a longer episode" if merged else "later samples show otherwise",
    )
    ledger.save(tx, gone)
    knowing = at_once(outbox.may_know(tx, gone))
    outbox.cancel(tx, gone.id, now_ms)
    if not merged:
        outbox.post(tx, gone, Matter.WITHDRAWN, knowing, time_ms=now_ms, now_ms=now_ms)
    return gone


def _outlive(tx: sqlite3.Connection, alarm: Alarm, now_ms: int) -> Alarm:
    """Keep an alarm that today's settings or models would not raise; end it if it stands."""
    kept = replace(alarm, remark="computed anew with changed settings or models")
    ledger.save(tx, kept)
    return clear(tx, kept, cleared_ms=now_ms, now_ms=now_ms) if kept.active else kept


def _unconfirmed(tx: sqlite3.Connection, alarm: Alarm, now_ms: int) -> Alarm:
    """Keep what the daemon saw with its own eyes: it was so, only the samples came later."""
    kept = replace(alarm, provisional=True, remark="the stored backlog filled the gap")
    ledger.save(tx, kept)
    return clear(tx, kept, cleared_ms=now_ms, now_ms=now_ms) if kept.active else kept
