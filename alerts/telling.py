"""Who is told that an alarm stands or is over: the notices that follow from a step of its life."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import replace
from typing import NamedTuple

from alerts import ledger, outbox
from alerts.alarm import HELD, OVER, STANDS, Matter
from alerts.ledger import LATELY, STANDING, Alarm, among
from alerts.outbox import Entry
from alerts.policy import Policy, Subject, Telling, at_once

_APART = 100
"""More than there are priorities: keeps names of what was cancelled apart from all others."""

_SAID = f"""
SELECT destination, matter, CASE moved_from WHEN '' THEN created_ms ELSE outbox.time_ms END,
    alarm_id, alarm.onset_ms, withdrawn,
    CASE WHEN active = 1 THEN NULL ELSE cleared_ms END,
    alarm.state {among(HELD)}
FROM outbox JOIN alarm ON alarm.id = alarm_id
WHERE outbox.state IN ('pending', 'delivered')
    AND matter {among(STANDS | OVER)} AND alarm_id IN
"""  # noqa: S608 - our own words
_SAID_OF_ONE = f"{_SAID} (?) ORDER BY +outbox.seq"
_SAID_OF_KIND = (
    f"{_SAID} (SELECT ? UNION SELECT * FROM {LATELY} UNION SELECT id FROM alarm "  # noqa: S608 - our own words
    "WHERE chattering = 1 AND vehicle = ? AND kind = ?) ORDER BY +outbox.seq"
)
_OTHER_ACTIVE = f"{STANDING} AND vehicle = ? AND kind = ? AND active AND id <> ?"
_CANCELLED = """
SELECT count(*) FROM outbox
WHERE alarm_id = ? AND turn = ? AND matter = ? AND state = 'cancelled'
"""
_OVER_FOLLOWS = f"""
SELECT 1 FROM outbox WHERE alarm_id = ? AND destination = ?
    AND matter {among(OVER)} AND state = 'pending'
"""  # noqa: S608 - our own words
_OVER_BEFORE = f"""
SELECT count(*) FROM outbox WHERE alarm_id = ? AND turn = ? AND matter = ? AND destination = ?
    AND matter {among(OVER)} AND state <> 'cancelled'
"""  # noqa: S608 - our own words


def subject(alarm: Alarm) -> Subject:
    """Give what the policy goes by when it says who is told of an alarm."""
    return Subject(vehicle=alarm.vehicle, kind=alarm.kind, priority=alarm.priority)


def tell_standing(
    tx: sqlite3.Connection,
    alarm: Alarm,
    matter: Matter,
    *,
    time_ms: int,
    now_ms: int,
    policy: Policy,
    also: Iterable[str] = (),
    remark: str = "",
    not_before_ms: int = 0,
) -> Alarm:
    """Tell whom it concerns, and ``also`` these destinations, that an alarm stands; remember that.

    ``remark`` is said in this notice only.
    """
    told = replace(alarm, told_priority=int(alarm.priority), told_ms=now_ms, escalated=0)
    ledger.save(tx, told)
    wanted = policy.tellings(subject(told), now_ms)
    known = {telling.destination for telling in wanted}
    more = policy.again(sorted(set(also) - known), told.priority, now_ms)
    to = _later((*wanted, *more), not_before_ms)
    _post(tx, told, matter, to, time_ms=time_ms, now_ms=now_ms, remark=remark)
    return told


def tell_over(
    tx: sqlite3.Connection,
    alarm: Alarm,
    *,
    now_ms: int,
    policy: Policy,
    remark: str = "",
) -> None:
    """Tell those who were told that an alarm stands that it is over, however late.

    What stood only for a moment may be back in a moment: then it is told a little later.
    """
    over_ms = now_ms if alarm.cleared_ms is None else alarm.cleared_ms
    brief = over_ms - alarm.raised_ms < policy.chatter.brief_ms
    wanted = policy.again(believing(tx, alarm), alarm.priority, now_ms)
    tellings = _later(wanted, now_ms + policy.chatter.brief_ms if brief else 0)
    _post(tx, alarm, Matter.NORMAL, tellings, time_ms=over_ms, now_ms=now_ms, remark=remark)


def tell_withdrawn(
    tx: sqlite3.Connection,
    alarm: Alarm,
    to: Iterable[str],
    *,
    now_ms: int,
    policy: Policy,
) -> None:
    """Tell these destinations that an alarm was not so."""
    wanted = policy.again(sorted(to), alarm.priority, now_ms)
    _post(tx, alarm, Matter.WITHDRAWN, wanted, time_ms=now_ms, now_ms=now_ms, remark="")


def tell_how_it_ended(
    tx: sqlite3.Connection, alarm: Alarm, entry: Entry, *, now_ms: int
) -> None:
    """Let an ``entry`` sent by hand, that an alarm stands, be followed by its end if it is over."""
    later = alarm.state in HELD or alarm.chattering  # then it is told when that ends
    stands = alarm.active and not alarm.withdrawn
    if later or stands or entry.matter not in STANDS:
        return
    if tx.execute(_OVER_FOLLOWS, (alarm.id, entry.destination)).fetchone():
        return
    matter = Matter.WITHDRAWN if alarm.withdrawn else Matter.NORMAL
    over_ms = now_ms if alarm.cleared_ms is None else alarm.cleared_ms
    to = at_once([entry.destination])
    _post(tx, alarm, matter, to, time_ms=over_ms, now_ms=now_ms, remark="")


def believing(conn: sqlite3.Connection, alarm: Alarm) -> list[str]:
    """List the destinations that were or will be told last that an alarm stands, in whatever turn.

    While no other alarm of the truck and kind is active, also those told so of one before it: what
    was to tell them that it is over has been held back or cancelled.
    """
    pair = (alarm.vehicle, alarm.kind)
    if ledger.find(conn, _OTHER_ACTIVE, (*pair, alarm.id)):
        said = conn.execute(_SAID_OF_ONE, (alarm.id,))
    else:
        said = conn.execute(_SAID_OF_KIND, (alarm.id, *pair, *pair))
    return _believing(alarm, [Said(*row) for row in said])


class Said(NamedTuple):
    """One telling of whether an alarm stands, of what time it speaks, and how the alarm is by now."""

    destination: str
    matter: str
    of_ms: int
    alarm_id: str
    onset_ms: int
    withdrawn: int
    cleared_ms: int | None
    held: int


def _believing(alarm: Alarm, said: Iterable[Said]) -> list[str]:
    """Give the destinations at which anything stands by what was said there, in this order.

    What came later than ``alarm`` and is held has an end of its own, told when it is let go.
    """
    stands: dict[str, dict[str, Said]] = {}
    for each in said:
        if each.held and not each.withdrawn and each.onset_ms > alarm.onset_ms:
            continue
        own = stands.setdefault(each.destination, {})
        if each.matter not in OVER:
            own[each.alarm_id] = each
            continue
        for other in [one for one in own.values() if _ends(each, one, alarm)]:
            del own[other.alarm_id]
    return sorted(destination for destination, own in stands.items() if own)


def _ends(over: Said, other: Said, alarm: Alarm) -> bool:
    """Tell whether ``over`` also ended what was said of another alarm of the truck and kind.

    That one was not so says nothing of others that were. That one is over ends all but what went on beyond
    it: a later ``alarm``, or whatever was active then.
    """
    if other.alarm_id == over.alarm_id:
        return True
    if over.matter == Matter.WITHDRAWN:
        return bool(other.withdrawn)
    later = other.alarm_id == alarm.id and other.onset_ms > over.onset_ms
    return not later and other.cleared_ms is not None and other.cleared_ms <= over.of_ms


def _post(
    tx: sqlite3.Connection,
    alarm: Alarm,
    matter: Matter,
    to: Iterable[Telling],
    *,
    time_ms: int,
    now_ms: int,
    remark: str,
) -> None:
    said = replace(alarm, remark=remark) if remark else alarm
    # What was cancelled keeps its name: the same matter of the same turn goes under another.
    key = (alarm.id, alarm.turn, matter.value)
    (cancelled,) = tx.execute(_CANCELLED, key).fetchone()
    nth = int(alarm.priority) if matter is Matter.RISE else 0
    nth += _APART * cancelled
    for each in to:
        # One that came back in the same turn, held or too often to be told, is over once more.
        again = tx.execute(_OVER_BEFORE, (*key, each.destination)).fetchone()[0]
        outbox.post(tx, said, matter, [each], time_ms=time_ms, now_ms=now_ms, nth=nth + again)


def _later(tellings: Iterable[Telling], not_before_ms: int) -> list[Telling]:
    return [
        replace(telling, not_before_ms=max(telling.not_before_ms, not_before_ms))
        for telling in tellings
    ]
