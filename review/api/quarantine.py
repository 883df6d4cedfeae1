"""The quarantine: what was refused, with its reason and its bytes."""

from __future__ import annotations

import base64
from typing import Annotated

from fastapi import APIRouter, Query
from starlette.responses import Response

from ingest import quarantine
from ingest.decoded import REASONS
from review.access.visitor import Role
from review.api.answering import answered, links
from review.api.asking import Reads
from review.api.cursor import Cursor, cursor_of
from review.api.operation import reads
from review.api.parameters import After, Limit, Number, OnlyTruck
from review.api.refusing import Refused
from review.api.shape import Moment, OneOf, Shape, moment

router = APIRouter(tags=["system"])

Reason = Annotated[str, OneOf(tuple(REASONS))]


class Refusal(Shape):
    """Something that was refused."""

    id: int
    """Its number."""
    topic: str
    """The topic it came on."""
    truck: str | None
    """The truck, as far as the topic names one."""
    reason: Reason
    """Why it was refused."""
    field: str
    """Which field, if one."""
    detail: str
    """What is wrong, and how to mend it."""
    raw_base64: str
    """What came: its first bytes in a list, all of them where one is read."""
    size_bytes: int
    """How much came [bytes]."""
    times_count: int
    """How often the same came."""
    first_received_at: Moment
    """When it came first."""
    last_received_at: Moment
    """When it came last."""


class Refusals(Shape):
    """A part of the quarantine."""

    entries: list[Refusal]
    """The newest first."""
    held_count: int
    """Entries in all."""
    held_bytes: int
    """What they hold in all [bytes]."""
    refused_count: int
    """Samples that were ever refused."""
    dropped_count: int
    """Of them, dropped for want of room."""
    next: str | None
    """Cursor of the next part; null: this is the last."""


@reads(router, "/quarantine", Refusals, listed=True)
def list_quarantine(
    ask: Reads,
    truck: OnlyTruck = None,
    reason: Annotated[Reason | None, Query(description="Only for this reason.")] = None,
    limit: Limit = 50,
    cursor: After = None,
) -> Response:
    """List what was refused, the newest first.

    It is as it came, read by nobody: of people, technicians and managers see it.
    """
    ask.must_be(Role.TECHNICIAN)
    below = None if cursor is None else cursor_of(cursor).number
    with ask.house.store.read() as conn:
        totals = quarantine.totals(conn)
        found = quarantine.listing(
            conn, vehicle=truck, reason=reason, limit=limit + 1, below_id=below
        )
    next_ = Cursor(found[limit - 1].id) if len(found) > limit else None
    said = Refusals(
        entries=[_shape(each) for each in found[:limit]],
        held_count=totals.entries,
        held_bytes=totals.bytes,
        refused_count=totals.refused,
        dropped_count=totals.dropped,
        next=None if next_ is None else str(next_),
    )
    return answered(ask.request, said, headers=links(ask.request, next_))


@reads(router, "/quarantine/{entry_id}", Refusal, problems=(404,))
def get_quarantined(ask: Reads, entry_id: Number) -> Response:
    """Read one entry of the quarantine with all of its bytes."""
    ask.must_be(Role.TECHNICIAN)
    with ask.house.store.read() as conn:
        found = quarantine.show(conn, entry_id)
    if found is None:
        raise Refused("not-here", f"there is no entry {entry_id} in the quarantine (any more)")
    return answered(ask.request, _shape(found))


def _shape(entry: quarantine.Entry) -> Refusal:
    return Refusal(
        id=entry.id,
        topic=entry.topic,
        truck=entry.vehicle,
        reason=entry.reason,
        field=entry.field,
        detail=entry.detail,
        raw_base64=base64.b64encode(entry.raw).decode(),
        size_bytes=entry.raw_bytes,
        times_count=entry.times,
        first_received_at=moment(entry.first_received_ms),
        last_received_at=moment(entry.last_received_ms),
    )
