"""When nobody acknowledges: who is told next, and when.

An alarm keeps when it was told and how many steps were taken since, so that a restart goes on where
it was. A rise tells everybody anew, and begins the steps anew.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import tzinfo

from alerts import ledger, outbox
from alerts.alarm import STANDS, Matter, State
from alerts.ledger import Alarm
from alerts.phrases import moment, plain
from alerts.policy import Policy, tellings_of
from alerts.routing import Plan, Step, Subject, called, calls, matching, steps
from models.transition import Priority

_UNANSWERED = (
    "state = ? AND active = 1 AND withdrawn = 0 AND told_ms IS NOT NULL AND told_priority > 0"
)
_TURN = 1000
"""More than any alarm has steps: keeps apart the reminders of each priority it rose to."""

TOGETHER_MS = 10 * 60_000
"""Steps of one truck's alarms that fall due within this [ms] of each other are taken with the first:
one notice of that truck instead of one for each alarm. Own choice: shorter than steps usually are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ladder:
    """The steps of one alarm, in order of time since the first telling.

    Those from ``repeats_from`` on say the last one again; of repeats that were missed one is enough.
    """

    steps: tuple[Step, ...]
    repeats_from: int


def tick(tx: sqlite3.Connection, *, now_ms: int, policy: Policy) -> tuple[Alarm, ...]:
    """Tell the next in turn of every alarm that nobody has acknowledged in time."""
    if policy.plan is None:
        return ()
    plan = policy.plan
    waiting = unanswered(tx)
    trucks = {alarm.vehicle for alarm in waiting if _due(plan, alarm, now_ms)[1]}
    found = (
        _step_up(tx, policy, plan, alarm, now_ms, together=alarm.vehicle in trucks)
        for alarm in waiting
    )
    return tuple(alarm for alarm in found if alarm)


def unanswered(conn: sqlite3.Connection) -> list[Alarm]:
    """List the alarms that stand, were told, and that nobody has acknowledged."""
    return ledger.find(conn, _UNANSWERED, (State.UNACKNOWLEDGED.value,))


def ladder(plan: Plan, subject: Subject, told_ms: int) -> Ladder:
    """Give the steps that an alarm told at ``told_ms`` may go through.

    A critical one ends with repeats of its last step, or of the first telling where there is none.
    """
    own = steps(plan, subject, told_ms)
    if subject.priority < Priority.CRITICAL:
        return Ladder(steps=own, repeats_from=len(own))
    last = own[-1] if own else Step(after_ms=0, tell=_first(plan, subject, told_ms))
    repeats = (
        replace(last, after_ms=last.after_ms + nth * plan.repeat_ms)
        for nth in range(1, plan.repeats + 1)
    )
    return Ladder(steps=(*own, *repeats), repeats_from=len(own))


def due_steps(
    found: Ladder, *, first_ms: int, taken: int, now_ms: int
) -> tuple[tuple[int, Step], ...]:
    """Give the steps due at ``now_ms`` with their places, beyond the ``taken`` first ones.

    ``first_ms``: when the first telling went out [Unix ms].
    """
    due = [
        (place, step)
        for place, step in enumerate(found.steps)
        if place >= taken and now_ms >= first_ms + step.after_ms
    ]
    missed = [place for place, _ in due if place >= found.repeats_from][:-1]
    return tuple((place, step) for place, step in due if place not in missed)


def told_before(conn: sqlite3.Connection, alarm: Alarm) -> dict[str, bool]:
    """Give the destinations that were told of an alarm in this turn, first ones first.

    True where that has arrived.
    """
    found: dict[str, bool] = {}
    for entry in outbox.entries(conn, alarm_id=alarm.id):
        tells = entry.turn == alarm.turn and entry.matter in STANDS
        if tells and entry.state != "cancelled":
            arrived = found.get(entry.destination, False) or entry.state == "delivered"
            found[entry.destination] = arrived
    return found


def reminder_words(
    told: Mapping[str, bool], policy: Policy, since_ms: int, zone: tzinfo
) -> str:
    """Say since when nobody has acknowledged, and who of the people was told."""
    names: dict[str, bool] = {}
    for destination, arrived in told.items():
        if recipient := policy.recipient(destination):
            name = plain(recipient.name)
            names[name] = names.get(name, False) or arrived
    since = f"Nobody has acknowledged this alarm since {moment(since_ms, zone)}."
    listed = [
        name if reached else f"{name} (not reached yet)" for name, reached in names.items()
    ]
    return f"{since} Told so far: {', '.join(listed)}." if listed else since


def _first(plan: Plan, subject: Subject, told_ms: int) -> tuple[str, ...]:
    rules = matching(plan, subject, told_ms)
    return tuple(dict.fromkeys(name for rule in rules for name in rule.tell))


def first_told_ms(plan: Plan, subject: Subject, told_ms: int) -> int:
    """Give when the first of the people told at ``told_ms`` may have known [Unix ms]: quiet hours count."""
    return max(told_ms, min(call.not_before_ms for call in calls(plan, subject, told_ms)))


def _step_up(
    tx: sqlite3.Connection,
    policy: Policy,
    plan: Plan,
    alarm: Alarm,
    now_ms: int,
    *,
    together: bool,
) -> Alarm | None:
    if (alarm.told_ms or 0) > now_ms:
        # The clock was put back: what it showed then would hold the steps up.
        ledger.save(tx, replace(alarm, told_ms=now_ms))
        return None
    first_ms, due = _due(plan, alarm, now_ms)
    if together and not due:
        first_ms, ahead = _due(plan, alarm, now_ms + TOGETHER_MS)
        due = ahead[:1]
    if not due:
        return None
    stepped = replace(alarm, escalated=due[-1][0] + 1)
    ledger.save(tx, stepped)
    named = [(name, "a step") for _, step in due for name in step.tell]
    priority = Priority(alarm.told_priority)
    said = reminder_words(told_before(tx, alarm), policy, first_ms, plan.zone)
    outbox.post(
        tx,
        # Who was told so far is frozen with what is told now; the alarm keeps its own remark.
        replace(stepped, remark=said),
        Matter.REMINDER,
        tellings_of(called(plan, named, priority, now_ms)),
        time_ms=now_ms,
        now_ms=now_ms,
        nth=_TURN * alarm.told_priority + stepped.escalated,
    )
    return stepped


def _due(plan: Plan, alarm: Alarm, now_ms: int) -> tuple[int, tuple[tuple[int, Step], ...]]:
    """Give when an alarm was told first, and its steps that are due; the rules that counted then count."""
    told_ms, taken = alarm.told_ms or 0, alarm.escalated
    priority = Priority(alarm.told_priority)
    subject = Subject(vehicle=alarm.vehicle, kind=alarm.kind, priority=priority)
    rungs = ladder(plan, subject, told_ms)
    # Nobody was told sooner than it was told at all: most alarms need no look at hours.
    if not due_steps(rungs, first_ms=told_ms, taken=taken, now_ms=now_ms):
        return told_ms, ()
    first_ms = first_told_ms(plan, subject, told_ms)
    return first_ms, due_steps(rungs, first_ms=first_ms, taken=taken, now_ms=now_ms)
