"""Bring the ledger in line with changed episodes, and tell whom it concerns, once.

The transitions are a pure function of the samples; the ledger is not: it remembers what the
daemon knew when, and whom it told. Here the one is laid beside the other.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from types import MappingProxyType

from alerts import hold, ledger, outbox
from alerts.alarm import Event, Matter
from alerts.announce import announce, clear
from alerts.episode import Episode, Key, episode
from alerts.hold import Hold
from alerts.identity import alarm_id
from alerts.ledger import Alarm
from alerts.lifecycle import EVENT_OF, again, arise, move
from alerts.policy import Policy
from alerts.telling import believing, tell_over, tell_withdrawn

_FOREVER = 1 << 62

MERGED = "part of a longer episode"
"""Why an alarm was withdrawn that is not untrue: another goes on for it."""

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
    for alarm in orphans:
        if not alarm.provisional and rebuilt:
            changed.append(_outlive(tx, alarm, now_ms, policy))
        elif not alarm.provisional:
            changed.append(_vanish(tx, alarm, list(present.values()), now_ms, policy))
    # What came later may have changed what came before it once more.
    return [ledger.get(tx, alarm.id) or alarm for alarm in changed]


def _over(found: Episode, ended: Mapping[str, int]) -> Episode:
    """Give an episode that no sample has ended yet with the end that is known otherwise."""
    if not found.active or found.kind not in ended:
        return found
    return replace(found, cleared_ms=max(found.raised_ms, ended[found.kind]))


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
            tx,
            "vehicle = ? AND kind = ? AND provisional = 1 AND NOT withdrawn",
            (vehicle, kind),
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
    # Another episode of this commit may have changed it since it was looked up.
    held = held and ledger.get(tx, held.id)
    event = _event(held, found)
    alarm = _updated(held or _fresh(tx, vehicle, found, now_ms), found, event, now_ms, policy)
    matter = None
    if event in (Event.RAISE, Event.RECUR):
        if past := _held_then(tx, vehicle, found, now_ms, policy):
            return _was_held(tx, alarm, event, past, found, now_ms, policy)
        alarm, matter = arise(tx, alarm, event, now_ms=now_ms, policy=policy)
    elif event is not None:
        alarm, matter = move(tx, alarm, event, now_ms=now_ms)
    else:
        ledger.save(tx, alarm)
    if matter and _news(matter, found, now_ms, policy):
        time_ms = found.peak_ms if matter is Matter.RISE else found.raised_ms
        alarm = announce(tx, alarm, matter, time_ms=time_ms, now_ms=now_ms, policy=policy)
    if found.cleared_ms is None:
        return alarm
    return _end(tx, alarm, found.cleared_ms, now_ms, policy)


def _held_then(
    tx: sqlite3.Connection, vehicle: str, found: Episode, now_ms: int, policy: Policy
) -> Hold | None:
    """Give the hold, over by now, under which a whole episode lay whose samples came only now."""
    now = hold.cover(
        tx, vehicle, found.kind, now_ms, priority=found.priority, rules=policy.holds
    )
    if found.cleared_ms is None or now is not None:
        return None
    return hold.covered(tx, vehicle, found.kind, found.raised_ms, found.cleared_ms)


def _was_held(
    tx: sqlite3.Connection,
    alarm: Alarm,
    event: Event,
    past: Hold,
    found: Episode,
    now_ms: int,
    policy: Policy,
) -> Alarm:
    """Take an alarm through what it would have gone through had its samples come in time."""
    alarm, _ = move(
        tx, alarm, EVENT_OF[past.state], now_ms=now_ms, by=past.by, comment=past.reason
    )
    alarm, _ = move(tx, alarm, event, now_ms=now_ms)
    alarm = replace(alarm, cleared_ms=found.cleared_ms)
    alarm, _ = move(tx, alarm, Event.CLEAR, now_ms=now_ms)
    latches = policy.latches(alarm.kind, alarm.priority)
    return move(tx, alarm, Event.RELEASE, now_ms=now_ms, latches=latches)[0]


def _end(
    tx: sqlite3.Connection, alarm: Alarm, cleared_ms: int, now_ms: int, policy: Policy
) -> Alarm:
    if alarm.active:
        return clear(tx, alarm, cleared_ms=cleared_ms, now_ms=now_ms, policy=policy)
    moved = replace(alarm, cleared_ms=cleared_ms)
    ledger.save(tx, moved)
    return moved


def _fresh(tx: sqlite3.Connection, vehicle: str, found: Episode, now_ms: int) -> Alarm:
    """Begin an alarm under a free id: a moved alarm may still bear the id of this onset."""
    nth = 0
    while ledger.get(tx, alarm_id(vehicle, found.kind, found.onset_ms, nth)):
        nth += 1
    return begin(vehicle, found, now_ms, nth=nth)


def _updated(
    alarm: Alarm, found: Episode, event: Event | None, now_ms: int, policy: Policy
) -> Alarm:
    comes = event in (Event.RAISE, Event.RECUR)
    alarm = replace(
        alarm,
        onset_ms=found.onset_ms,
        raised_ms=found.raised_ms,
        priority=found.priority,
        probability=found.probability,
        evidence=found.evidence,
        provisional=False,
        withdrawn=False,
        late=not policy.fresh(found.raised_ms, now_ms) if comes else alarm.late,
    )
    return again(alarm) if event is Event.RECUR else alarm


def _news(matter: Matter, found: Episode, now_ms: int, policy: Policy) -> bool:
    if not found.active and found.kind in policy.quiet_when_over:
        return False
    return policy.fresh(found.peak_ms if matter is Matter.RISE else found.raised_ms, now_ms)


def _vanish(
    tx: sqlite3.Connection,
    alarm: Alarm,
    present: Collection[Episode],
    now_ms: int,
    policy: Policy,
) -> Alarm:
    """Deal with an alarm whose episode the full set of samples does not show."""
    alarm = ledger.get(tx, alarm.id) or alarm
    if alarm.watched:
        return _unconfirmed(tx, alarm, now_ms, policy)
    parts = [found for found in present if _overlap(found, alarm)]
    remark = MERGED if parts else "later samples show otherwise"
    over_ms = alarm.cleared_ms or now_ms
    gone, matter = move(
        tx, replace(alarm, cleared_ms=over_ms, remark=remark), Event.WITHDRAW, now_ms=now_ms
    )
    knowing = outbox.may_know(tx, gone)
    outbox.cancel(tx, gone.id, now_ms)
    if matter and not parts:
        tell_withdrawn(tx, gone, {*knowing, *believing(tx, gone)}, now_ms=now_ms, policy=policy)
    elif matter and not any(found.active for found in parts):
        tell_over(tx, gone, now_ms=now_ms, policy=policy)
    return gone


def _outlive(tx: sqlite3.Connection, alarm: Alarm, now_ms: int, policy: Policy) -> Alarm:
    """Keep an alarm that today's settings or models would not raise; end it if it stands."""
    alarm = ledger.get(tx, alarm.id) or alarm
    kept = replace(alarm, remark="computed anew with changed settings or models")
    ledger.save(tx, kept)
    if not kept.active:
        return kept
    return clear(tx, kept, cleared_ms=now_ms, now_ms=now_ms, policy=policy)


def _unconfirmed(tx: sqlite3.Connection, alarm: Alarm, now_ms: int, policy: Policy) -> Alarm:
    """Keep what the daemon saw with its own eyes: it was so, only the samples came later."""
    kept = replace(alarm, provisional=True, remark="the stored backlog filled the gap")
    ledger.save(tx, kept)
    if not kept.active:
        return kept
    return clear(tx, kept, cleared_ms=now_ms, now_ms=now_ms, policy=policy)
