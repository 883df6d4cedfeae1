"""Notices that wait, and those that were given up."""

from __future__ import annotations

import sqlite3
from typing import Annotated, Literal

from fastapi import APIRouter, Query
from starlette.responses import Response

from alerts import outbox, sending
from alerts.outbox import Entry
from alerts.sending import Sending, What
from review.access.visitor import Role
from review.api.answering import answered
from review.api.asking import Reads
from review.api.operation import reads
from review.api.shape import Moment, Shape, moment, moment_or_none
from review.api.truck_shapes import PriorityName
from review.api.truck_written import priority_name

router = APIRouter(tags=["system"])


class Notice(Shape):
    """One message to one destination, or what will become one."""

    id: str
    """Its id: it stays, whatever happens."""
    what: Literal["alarms", "report"]
    """What it is made of."""
    destination: str
    """By which channel, and whom."""
    priority: PriorityName
    """How urgent it is."""
    alarms: list[str]
    """Ids of the alarms that it tells of."""
    created_at: Moment
    """When it was posted."""
    due_at: Moment
    """When it is tried next, at the earliest."""
    settled_at: Moment | None
    """When it was given up."""
    attempts_count: int
    """How often it was tried."""
    last_error: str | None
    """Why it failed the last time."""


class Notices(Shape):
    """The notices that wait, or that were given up."""

    notices: list[Notice]
    """Oldest first."""


@reads(router, "/notices", Notices)
def list_notices(
    ask: Reads,
    state: Annotated[
        Literal["waiting", "given_up"],
        Query(description="`waiting`: still to go out; `given_up`: for a person to see."),
    ] = "waiting",
) -> Response:
    """List the notices that wait to go out, or those that were given up.

    They tell where people are reached: of people, technicians and managers see them.
    """
    ask.must_be(Role.TECHNICIAN)
    with ask.house.store.read() as conn:
        found = _waiting(conn) if state == "waiting" else _given_up(conn)
    return answered(ask.request, Notices(notices=found))


def _waiting(conn: sqlite3.Connection) -> list[Notice]:
    tellings = [_telling(each) for each in outbox.entries(conn, state="pending")]
    pending = sending.sendings(conn, state="pending")
    reports = [_sending(conn, each) for each in pending if each.what is What.REPORT]
    return sorted([*tellings, *reports], key=lambda each: (each.created_at, each.id))


def _given_up(conn: sqlite3.Connection) -> list[Notice]:
    return [_sending(conn, each) for each in sending.dead_letters(conn)]


def _telling(entry: Entry) -> Notice:
    return Notice(
        id=entry.id,
        what="alarms",
        destination=entry.destination,
        priority=priority_name(entry.priority),
        alarms=[entry.alarm_id],
        created_at=moment(entry.created_ms),
        due_at=moment(entry.due_ms),
        settled_at=moment_or_none(entry.settled_ms),
        attempts_count=entry.attempts,
        last_error=entry.last_error or None,
    )


def _sending(conn: sqlite3.Connection, found: Sending) -> Notice:
    return Notice(
        id=found.id,
        what="report" if found.what is What.REPORT else "alarms",
        destination=found.destination,
        priority=priority_name(found.priority),
        alarms=[name for name, _ in sending.alarms_of(conn, found.id)],
        created_at=moment(found.created_ms),
        due_at=moment(found.due_ms),
        settled_at=moment_or_none(found.settled_ms),
        attempts_count=found.attempts,
        last_error=found.last_error or None,
    )
