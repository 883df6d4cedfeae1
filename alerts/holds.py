"""Holding alarms back on purpose, and letting go of them: by hand, or when the time is over.

An alarm under a hold keeps its numbers and its history, and tells nobody. When it is let go while the
condition stands, it is told then, and for how long it was held.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, replace

from alerts import chatter, history, hold, ledger, outbox
from alerts.alarm import HELD, Event, Matter, State
from alerts.announce import STAYS, announce
from alerts.hold import Hold
from alerts.ledger import STANDING, Alarm, among
from alerts.lifecycle import EVENT_OF, again, move
from alerts.policy import Policy
from alerts.reconcile import MERGED
from alerts.telling import believing, tell_over, tell_withdrawn
from models.transition import Priority

_MINUTE_MS = 60_000
_DAY_MS = 86_400_000

HELD_WORDS = {
    State.SHELVED: "shelved",
    State.SUPPRESSED: "suppressed by design",
    State.OUT_OF_SERVICE: "out of service",
}
"""The states in which an alarm is held, in words."""


class BadHold(Exception):
    """A hold that cannot be made: plain words say why and what can."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A hold that was made, and the alarms that it changed."""

    hold: Hold
    alarms: tuple[Alarm, ...]


def place(
    tx: sqlite3.Connection,
    *,
    state: State,
    vehicle: str,
    kind: str | None = None,
    until_ms: int | None = None,
    by: str,
    reason: str,
    now_ms: int,
    policy: Policy,
) -> Placed:
    """Hold back a truck's alarms of one kind, or (``kind`` None) of all, in one of the held states.

    A hold of the same truck, kind and state that stands ends with it: this one takes its place.

    Raises
    ------
    BadHold
        No reason, no name, an end that is past, or a shelf without an end or for too long.
    """
    made = Hold(
        id=0,
        state=state,
        vehicle=vehicle,
        kind=kind,
        from_ms=now_ms,
        until_ms=until_ms,
        by=by.strip(),
        reason=reason.strip(),
    )
    scope = _in_scope(tx, made, STANDING)
    _check(made, scope, policy)
    for old in hold.standing(tx, now_ms):
        if (old.state, old.vehicle, old.kind) == (state, vehicle, kind):
            hold.end(tx, old.id, now_ms=now_ms, by=made.by)
    made = replace(made, id=hold.put(tx, made))
    changed = [_settle(tx, alarm, now_ms, policy, by=made.by) for alarm in scope]
    return Placed(hold=made, alarms=tuple(alarm for alarm in changed if alarm))


def release(
    tx: sqlite3.Connection, hold_id: int, *, by: str, now_ms: int, policy: Policy
) -> tuple[Alarm, ...]:
    """End a hold by hand; give the alarms that it let go.

    Raises
    ------
    LookupError
        No such hold stands.
    """
    found = hold.get(tx, hold_id)
    if found is None or found.ended_ms is not None:
        raise LookupError(hold_id)
    return _let_end(tx, found, now_ms, policy, by=by)


def tick(tx: sqlite3.Connection, *, now_ms: int, policy: Policy) -> tuple[Alarm, ...]:
    """End the holds whose time is over; give the alarms that they let go."""
    changed: list[Alarm] = []
    for found in hold.run_out(tx, now_ms):
        changed += _let_end(tx, found, now_ms, policy, by="")
    # A shelf ends sooner for what has become critical on it.
    shelved = ledger.find(
        tx,
        f"{STANDING} AND state = ? AND priority = ?",
        (State.SHELVED, int(Priority.CRITICAL)),
    )
    settled = [_settle(tx, alarm, now_ms, policy) for alarm in shelved]
    return (*changed, *(alarm for alarm in settled if alarm))


def _let_end(
    tx: sqlite3.Connection, found: Hold, now_ms: int, policy: Policy, *, by: str
) -> tuple[Alarm, ...]:
    hold.end(tx, found.id, now_ms=now_ms, by=by)
    scope = _in_scope(tx, found, f"state {among(HELD)}")
    settled = [_settle(tx, alarm, now_ms, policy, by=by) for alarm in scope]
    return tuple(alarm for alarm in settled if alarm)


def _in_scope(tx: sqlite3.Connection, found: Hold, which: str) -> list[Alarm]:
    return ledger.find(
        tx,
        f"{which} AND vehicle = ? AND (? IS NULL OR kind = ?)",
        (found.vehicle, found.kind, found.kind),
        order="onset_ms, id",
    )


def _settle(
    tx: sqlite3.Connection, alarm: Alarm, now_ms: int, policy: Policy, *, by: str = ""
) -> Alarm | None:
    """Bring an alarm into the state that the holds ask for; None when it is in it."""
    cover = hold.cover(
        tx, alarm.vehicle, alarm.kind, now_ms, priority=alarm.priority, rules=policy.holds
    )
    if cover is None:
        return _let_go(tx, alarm, now_ms, policy, by) if alarm.state in HELD else None
    if cover.state is alarm.state:
        return None
    if alarm.active:
        # That it was over before counts no more: who was told that it stands hears how it ends.
        outbox.cancel(tx, alarm.id, now_ms)
    event = EVENT_OF[cover.state]
    return move(tx, alarm, event, now_ms=now_ms, by=cover.by, comment=cover.reason)[0]


def _let_go(
    tx: sqlite3.Connection, alarm: Alarm, now_ms: int, policy: Policy, by: str
) -> Alarm:
    remark = _was_held(tx, alarm, now_ms)
    knowing = believing(tx, alarm)
    latches = policy.latches(alarm.kind, alarm.priority) and not alarm.withdrawn
    never_told = alarm.late and not alarm.told_priority
    free, matter = move(tx, alarm, Event.RELEASE, now_ms=now_ms, by=by, latches=latches)
    if alarm.withdrawn and alarm.remark != MERGED:
        to = {*outbox.may_know(tx, free), *knowing}
        tell_withdrawn(tx, free, to, now_ms=now_ms, policy=policy)
    elif chatter.going(tx, alarm.vehicle, alarm.kind):
        pass  # how it stands is told when it has come to rest
    elif matter is Matter.NORMAL:
        words = STAYS if free.state is State.LATCHED else ""
        tell_over(tx, free, now_ms=now_ms, policy=policy, remark=words)
    elif matter is Matter.ACTIVE:
        free = again(free)
        ledger.save(tx, free)
        # What was found late is told when the truck's data are current (silence.catch_up).
        if not never_told:
            return announce(
                tx,
                free,
                matter,
                time_ms=free.raised_ms,
                now_ms=now_ms,
                policy=policy,
                also=knowing,
                remark=remark,
            )
    return free


def _was_held(tx: sqlite3.Connection, alarm: Alarm, now_ms: int) -> str:
    since_ms = history.held_since_ms(tx, alarm.id)
    if since_ms is None:
        return ""
    words, span = HELD_WORDS[alarm.state], duration(now_ms - since_ms)
    return f"It was held back for {span} ({words}); that is over and it still stands"


def duration(ms: int) -> str:
    """Write a span of time [ms] in words: minutes, hours or days."""
    for unit_ms, name in ((_DAY_MS, "day"), (3_600_000, "hour")):
        if ms >= 2 * unit_ms:
            return f"{round(ms / unit_ms)} {name}s"
    minutes = max(1, round(ms / _MINUTE_MS))
    return "1 minute" if minutes == 1 else f"{minutes} minutes"


def _check(made: Hold, scope: list[Alarm], policy: Policy) -> None:
    if not made.reason:
        raise BadHold("give a reason: whoever finds the alarm missing must know why it is")
    if not made.by:
        raise BadHold("give a name: whoever asks must know whom to ask")
    if made.until_ms is not None and made.until_ms <= made.from_ms:
        raise BadHold("the end has passed already; name one that is still to come")
    if made.state is State.SHELVED:
        _check_shelf(made, scope, policy)


def _check_shelf(made: Hold, scope: list[Alarm], policy: Policy) -> None:
    if made.until_ms is None:
        raise BadHold("a shelved alarm comes back by itself: say when")
    critical = any(alarm.priority is Priority.CRITICAL for alarm in scope)
    rules = policy.holds
    longest_ms = rules.longest_critical_ms if critical else rules.longest_ms
    if made.until_ms - made.from_ms > longest_ms:
        which = "a critical alarm" if critical else "an alarm"
        raise BadHold(
            f"{which} may be shelved for {duration(longest_ms)} at most; name an earlier end, or take "
            "the truck out of service while it is not driven"
        )
