"""An alarm that comes and goes too often: said once, then held back until it is known how it stands.

What counts is how often people are told, for one truck and kind of alarm. A critical one that was
told as a lesser one is told at once all the same.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import replace

from alerts import history, ledger, outbox
from alerts.alarm import HELD, STANDS, Matter
from alerts.ledger import LATELY, STANDING, Alarm, among
from alerts.life_rules import ChatterRules
from alerts.lifecycle import again
from alerts.policy import Policy
from alerts.telling import believing, tell_over, tell_standing

#: A time that lies ahead is from before the clock was put back.
_TOLD_SINCE = f"""
SELECT DISTINCT alarm_id, turn FROM outbox
WHERE alarm_id IN {LATELY} AND matter = 'active' AND created_ms > ? AND created_ms <= ?
"""  # noqa: S608 - our own words
_KNOWING = f"""
SELECT DISTINCT destination FROM outbox WHERE alarm_id = ?
AND matter {among(STANDS)} AND state IN ('pending', 'delivered')
"""  # noqa: S608 - our own words
_GOING = "SELECT DISTINCT vehicle, kind FROM alarm WHERE chattering = 1 ORDER BY vehicle, kind"


def admit(
    tx: sqlite3.Connection, alarm: Alarm, *, time_ms: int, now_ms: int, policy: Policy
) -> tuple[Alarm, Matter | None]:
    """Say what is to be told of an alarm that was raised: that it stands, that it rose, or no more.

    Tells itself that the alarm comes and goes, when it begins to.
    """
    before = going(tx, alarm.vehicle, alarm.kind)
    if before:
        alarm = _carry_on(tx, alarm, before[-1])
        worse = alarm.priority > alarm.told_priority
        return alarm, Matter.RISE if worse else None
    since_ms = now_ms - policy.chatter.within_ms
    told = set(tx.execute(_TOLD_SINCE, (alarm.vehicle, alarm.kind, since_ms, now_ms)))
    told.discard((alarm.id, alarm.turn))
    if len(told) + 1 < policy.chatter.times:
        return alarm, Matter.ACTIVE
    rows = {name for name, _ in told} | {alarm.id}
    return _begin(tx, alarm, rows, len(told) + 1, time_ms, now_ms, policy), None


def going(conn: sqlite3.Connection, vehicle: str, kind: str) -> list[Alarm]:
    """List the alarms of a truck and kind that comes and goes: those that were told, and the newest."""
    return ledger.find(
        conn,
        "vehicle = ? AND kind = ? AND chattering = 1",
        (vehicle, kind),
        order="raised_ms, first_seen_ms, id",
    )


def until_ms(conn: sqlite3.Connection, alarm: Alarm, now_ms: int, rules: ChatterRules) -> int:
    """Give until when it is not told that an alarm is back, or that one is over [Unix ms]; 0: at once.

    Who still waits to be told that it went need not be told in the same moment that it is back.
    """
    recent = ledger.find(
        conn,
        f"id IN {LATELY} AND NOT active AND NOT withdrawn AND id <> ?",
        (alarm.vehicle, alarm.kind, alarm.id),
        order="cleared_ms DESC, id LIMIT 1",
    )
    waits = any(
        entry.matter is Matter.NORMAL and entry.state == "pending" and entry.due_ms > now_ms
        for each in (alarm, *recent)
        for entry in outbox.entries(conn, alarm_id=each.id)
    )
    return now_ms + rules.brief_ms if waits else 0


def tick(tx: sqlite3.Connection, *, now_ms: int, policy: Policy) -> list[Alarm]:
    """Say how those stand that have been quiet, or have stood, long enough; give them."""
    ended: list[Alarm] = []
    for vehicle, kind in tx.execute(_GOING).fetchall():
        newest = _newest(tx, vehicle, kind)
        active = newest is not None and newest.active
        wait_ms = policy.chatter.stood_ms if active else policy.chatter.quiet_ms
        held = newest is not None and newest.state in HELD
        # What seems to lie far ahead is from before the clock was put back.
        if not held and abs(now_ms - history.last_change_ms(tx, vehicle, kind)) >= wait_ms:
            ended += _end(tx, going(tx, vehicle, kind), newest, now_ms, policy)
    return ended


def _newest(conn: sqlite3.Connection, vehicle: str, kind: str) -> Alarm | None:
    """Give the alarm that says how a truck and kind stands: an active one, else the last."""
    pair = (vehicle, kind)
    own = "vehicle = ? AND kind = ? AND NOT withdrawn"
    standing = ledger.find(
        conn, f"{STANDING} AND {own}", pair, order="active DESC, onset_ms DESC, id LIMIT 1"
    )
    found = standing or ledger.find(conn, own, pair, order="onset_ms DESC, id LIMIT 1")
    return next(iter(found), None)


def _carry_on(tx: sqlite3.Connection, alarm: Alarm, before: Alarm) -> Alarm:
    """Let an alarm know what was told of those before it; who acknowledged one need not be reminded."""
    seen = before.acknowledged_ms or 0
    told_ms = before.told_ms if before.told_ms is None or seen < before.told_ms else None
    same = replace(
        alarm,
        chattering=True,
        told_priority=before.told_priority,
        told_ms=told_ms,
        escalated=before.escalated,
    )
    ledger.save(tx, same)
    if before.id != alarm.id and not _knowing(tx, before.id):
        # Nobody was told of it by itself: this one goes on for it.
        ledger.save(tx, replace(before, chattering=False))
    return same


def _begin(
    tx: sqlite3.Connection,
    alarm: Alarm,
    rows: Iterable[str],
    times: int,
    time_ms: int,
    now_ms: int,
    policy: Policy,
) -> Alarm:
    for name in sorted(rows):
        outbox.cancel(tx, name, now_ms)
        tx.execute("UPDATE alarm SET chattering = 1 WHERE id = ?", (name,))
    return tell_standing(
        tx,
        replace(alarm, chattering=True),
        Matter.CHATTER,
        time_ms=time_ms,
        now_ms=now_ms,
        policy=policy,
        also=believing(tx, alarm),
        remark=_begun(times, policy.chatter),
    )


def _end(
    tx: sqlite3.Connection,
    rows: list[Alarm],
    newest: Alarm | None,
    now_ms: int,
    policy: Policy,
) -> list[Alarm]:
    # Later samples may have shown that all of it was untrue, which was told.
    ended = [] if newest is None else [_settle(tx, newest, now_ms, policy)]
    # Not before: by this they are found who were told of it.
    tx.executemany("UPDATE alarm SET chattering = 0 WHERE id = ?", [(row.id,) for row in rows])
    return ended


def _settle(tx: sqlite3.Connection, newest: Alarm, now_ms: int, policy: Policy) -> Alarm:
    settled = replace(newest, chattering=False)
    if not newest.active:
        tell_over(tx, settled, now_ms=now_ms, policy=policy, remark=_QUIET)
        return settled
    return tell_standing(
        tx,
        again(settled),
        Matter.ACTIVE,
        time_ms=newest.raised_ms,
        now_ms=now_ms,
        policy=policy,
        also=believing(tx, settled),
        remark=_STOOD,
    )


def _knowing(conn: sqlite3.Connection, alarm_id: str) -> set[str]:
    return {row[0] for row in conn.execute(_KNOWING, (alarm_id,))}


_QUIET = "It came and went; now it has stayed away for a while"
_STOOD = "It came and went; now it stands"


def _begun(times: int, rules: ChatterRules) -> str:
    within, quiet, stood = (
        ms // 60_000 for ms in (rules.within_ms, rules.quiet_ms, rules.stood_ms)
    )
    return (
        f"It comes and goes: {times} times within {within} minutes. No more notices of this "
        f"until it has stayed away for {quiet} minutes or has stood for {stood}; then one that "
        "says how it stands. Look for a loose plug or a value right at its limit"
    )
