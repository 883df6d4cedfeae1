"""How Heatbook itself stands: what it runs, what waits, what was refused."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import Response

from alerts import sending
from ingest import quarantine
from ingest import record as service_record
from review.api.answering import answered
from review.api.asking import Reads
from review.api.operation import reads
from review.api.shape import Moment, Shape, moment_or_none

router = APIRouter(tags=["system"])


class System(Shape):
    """How Heatbook itself stands."""

    model_version: str
    """Which model code computes the accounts."""
    zone: str
    """The fleet's time zone, by which days begin."""
    trucks_count: int
    """Trucks that are known."""
    reading: bool
    """Whether trucks are still being read after a start."""
    newest_sample_at: Moment | None
    """The newest sample of any truck."""
    last_committed_at: Moment | None
    """When something from the broker was last written down."""
    record_pending_count: int
    """Trucks with entries of the record that do not count yet."""
    notices_waiting_count: int
    """Notices that wait."""
    notices_oldest_at: Moment | None
    """Since when the oldest of them does."""
    notices_given_up_count: int
    """Notices that were given up: for a person to see."""
    quarantine_count: int
    """Entries of the quarantine."""
    quarantine_bytes: int
    """What they hold [bytes]."""
    refused_count: int
    """Samples that were ever refused."""
    dropped_count: int
    """Of them, dropped for want of room."""


@reads(router, "/system", System)
def get_system(ask: Reads) -> Response:
    """Say how Heatbook itself stands: what it runs, what waits, what was refused."""
    fleet = ask.house.board.now()
    newest_ms = max((each.last_ms or 0 for each in fleet.trucks.values()), default=0)
    with ask.house.store.read() as conn:
        committed_ms = conn.execute("SELECT max(committed_ms) FROM source_position").fetchone()
        waiting, oldest_ms = sending.waiting(conn)
        totals = quarantine.totals(conn)
        said = System(
            model_version=ask.house.reader.version,
            zone=str(ask.house.units.zone),
            trucks_count=len(fleet.known),
            reading=fleet.reading,
            newest_sample_at=moment_or_none(newest_ms),
            last_committed_at=moment_or_none(committed_ms[0]),
            record_pending_count=len(service_record.pending(conn)),
            notices_waiting_count=waiting,
            notices_oldest_at=moment_or_none(oldest_ms),
            notices_given_up_count=len(sending.dead_letters(conn)),
            quarantine_count=totals.entries,
            quarantine_bytes=totals.bytes,
            refused_count=totals.refused,
            dropped_count=totals.dropped,
        )
    return answered(ask.request, said)
