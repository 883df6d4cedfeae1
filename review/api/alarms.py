"""Alarms: list them, read one, acknowledge it, say that somebody has looked."""

from __future__ import annotations

import sqlite3
from typing import Annotated, Literal

from fastapi import APIRouter, Query
from starlette.responses import Response

from alerts import answer, ledger, lifecycle
from alerts.alarm import LATCHED, State
from alerts.answer import Verdict
from alerts.ledger import STANDING
from models.transition import Priority
from review.access.audit import Deed
from review.access.tokens import Scope
from review.alarm_story import alarm_story
from review.api import alarm_written
from review.api.alarm_shapes import Acknowledgement, Alarms, Look, Story
from review.api.answering import answered, links, unchanged
from review.api.asking import Acknowledges, Ask, Reads
from review.api.cursor import Cursor, cursor_of
from review.api.instant import unix_ms
from review.api.operation import acts, reads
from review.api.parameters import (
    After,
    AlarmId,
    IfMatch,
    Limit,
    OnlyTruck,
    Since,
    Until,
)
from review.api.refusing import Refused
from review.api.truck_shapes import Kind, PriorityName

router = APIRouter(tags=["alarms"])

Which = Annotated[
    Literal["all", "standing", "over"],
    Query(description="`standing`: what somebody should look at; `over`: the rest."),
]

_WHICH = {"standing": STANDING, "over": f"NOT ({STANDING})"}


@reads(router, "/alarms", Alarms, listed=True)
def list_alarms(
    ask: Reads,
    truck: OnlyTruck = None,
    kind: Annotated[Kind | None, Query(description="Only of this kind.")] = None,
    state: Annotated[State | None, Query(description="Only in this state.")] = None,
    priority: Annotated[
        PriorityName | None, Query(description="This priority and those above it.")
    ] = None,
    which: Which = "all",
    since: Since = None,
    until: Until = None,
    limit: Limit = 50,
    cursor: After = None,
) -> Response:
    """List alarms, newest onset first.

    `since` and `until` are of their onset. Withdrawn alarms are among them, and say so.
    """
    told = {
        "vehicle = ?": truck,
        "kind = ?": kind,
        "state = ?": None if state is None else state.value,
        "priority >= ?": None if priority is None else int(Priority[priority.upper()]),
        "onset_ms >= ?": None if since is None else unix_ms(since),
        "onset_ms < ?": None if until is None else unix_ms(until),
    }
    given = {clause: value for clause, value in told.items() if value is not None}
    where = " AND ".join([_WHICH.get(which, "1"), *given])
    values = tuple(given.values())
    if cursor is not None:
        after = cursor_of(cursor)
        where, values = (
            f"{where} AND (onset_ms, id) < (?, ?)",
            (*values, after.number, after.name),
        )
    with ask.house.store.read() as conn:
        found = ledger.find(
            conn, where, (*values, limit + 1), order="onset_ms DESC, id DESC LIMIT ?"
        )
    last = found[limit - 1] if len(found) > limit else None
    next_ = None if last is None else Cursor(last.onset_ms, last.id)
    teller = ask.house.teller(ask.visitor.units)
    said = Alarms(
        alarms=[alarm_written.alarm_shape(each, teller) for each in found[:limit]],
        next=None if next_ is None else str(next_),
    )
    return answered(ask.request, said, headers=links(ask.request, next_))


@reads(router, "/alarms/{alarm}", Story, problems=(404,))
def get_alarm(ask: Reads, alarm: AlarmId) -> Response:
    """Read one alarm: its evidence, its words, its history, who was told."""
    with ask.house.store.read() as conn:
        return answered(ask.request, _story(ask, conn, alarm))


@acts(
    router,
    "/alarms/{alarm}/acknowledgement",
    Story,
    Scope.ACKNOWLEDGE,
    problems=(404, 409, 412),
)
def acknowledge_alarm(
    ask: Acknowledges, alarm: AlarmId, said: Acknowledgement, if_match: IfMatch = None
) -> Response:
    """Acknowledge an alarm: somebody knows, and the reminders end.

    It mends nothing: the alarm stands until its condition is over. One that is acknowledged already, or over
    and needs nobody, is given as it is. `turn_count` and `priority`, or `If-Match`, say what you have seen:
    where it has come again or become worse since, nothing is done.
    """
    del if_match  # read where it is compared
    with ask.house.store.write() as tx:
        before = _story(ask, tx, alarm)
        unchanged(ask.request, before)
        turn = before.alarm.turn_count if said.turn_count is None else said.turn_count
        seen = before.alarm.priority if said.priority is None else said.priority
        done = answer.acknowledge(
            tx,
            alarm,
            turn,
            by=ask.visitor.name,
            comment=said.comment,
            now_ms=ask.now_ms,
            seen={alarm: Priority[seen.upper()]},
        )
        _must_be_the_same(done.verdict)
        if done.verdict is Verdict.DONE:
            ask.audit(tx, Deed.ALARM_ACKNOWLEDGED, f"{before.alarm.truck} {before.alarm.kind}")
        after = _story(ask, tx, alarm)
    ask.house.board.look()
    return answered(ask.request, after)


@acts(router, "/alarms/{alarm}/look", Story, Scope.ACKNOWLEDGE, problems=(404, 409, 412))
def look_at_alarm(
    ask: Acknowledges, alarm: AlarmId, said: Look, if_match: IfMatch = None
) -> Response:
    """Say that somebody has looked at the truck, so that an alarm that waits for that may go.

    Only an alarm in one of the latched states waits for a look. Who looks has acknowledged too.
    """
    del if_match  # read where it is compared
    with ask.house.store.write() as tx:
        before = _story(ask, tx, alarm)
        unchanged(ask.request, before)
        if before.alarm.state not in LATCHED:
            raise Refused("does-not-fit", "this alarm does not wait for a look")
        lifecycle.reset(tx, alarm, by=ask.visitor.name, now_ms=ask.now_ms, comment=said.comment)
        ask.audit(tx, Deed.ALARM_RESET, f"{before.alarm.truck} {before.alarm.kind}")
        after = _story(ask, tx, alarm)
    ask.house.board.look()
    return answered(ask.request, after)


def _story(ask: Ask, conn: sqlite3.Connection, alarm_id: str) -> Story:
    rules = ask.house.policy.holds
    story = alarm_story(conn, alarm_id, now_ms=ask.now_ms, rules=rules)
    if story is None:
        raise Refused("not-here", "there is no alarm of this id; GET /api/v1/alarms lists them")
    return alarm_written.story_shape(story, ask.house.teller(ask.visitor.units))


def _must_be_the_same(verdict: Verdict) -> None:
    if verdict is Verdict.CAME_AGAIN:
        raise Refused("came-again", "it has come again since you saw it; read it again")
    if verdict is Verdict.WORSE:
        raise Refused("came-again", "it has become worse since you saw it; read it again")
    if verdict is Verdict.HELD:
        raise Refused("does-not-fit", "it is held back on purpose: there is nothing to answer")
    if verdict is Verdict.WITHDRAWN:
        raise Refused("does-not-fit", "it was withdrawn: there is nothing to acknowledge")
