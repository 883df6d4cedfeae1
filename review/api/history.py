"""A truck's history: its samples, what they come to by the minute and hour, and its chart."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Annotated, Any, Literal

import numpy as np
from fastapi import APIRouter, Query
from numpy.typing import NDArray
from starlette.responses import Response

from ingest.rollup import EDGES_C
from models.sample import SIGNALS
from review import history
from review.api import history_written as written
from review.api.answering import answered, answered_bytes, links
from review.api.asking import Ask, Reads
from review.api.chart_shapes import Chart, Drawn
from review.api.cursor import Cursor, cursor_of
from review.api.history_shapes import Bucket, Rollups, Samples, SignalName
from review.api.instant import unix_ms
from review.api.operation import reads
from review.api.parameters import After, Since, TruckName, Until, span_ms
from review.entry_rules import UnknownTruck, known_trucks
from review.series import LEAST_PX, MOST_PX, USUAL_PX, encode, series
from review.series_lines import USUAL

router = APIRouter(tags=["history"])

_DAY_MS = 86_400_000
_MOST = 5000

Many = Annotated[int, Query(ge=1, le=_MOST, description="How many to give at most.")]
Signals = Annotated[
    list[SignalName] | None,
    Query(
        max_length=len(SIGNALS),
        description="Only these signals; say it once for each. Left out: the fluid's temperature.",
        examples=[["fluid_temp_c"]],
    ),
]


@reads(router, "/trucks/{truck}/samples", Samples, listed=True, problems=(404,))
def list_samples(
    ask: Reads,
    truck: TruckName,
    since: Since = None,
    until: Until = None,
    limit: Many = 1000,
    cursor: After = None,
) -> Response:
    """List a truck's samples as they were taken in, in order of time.

    Samples of one time are merged; what was refused is in the quarantine. For a picture take the rollups, or
    the chart.
    """
    with ask.house.store.read() as conn:
        first_ms, end_ms = _edges(ask, conn, truck, since, until, cursor)

        def read(begin_ms: int, last_ms: int) -> NDArray[Any]:
            return history.samples(conn, truck, begin_ms, last_ms)

        found = _enough(read, first_ms, end_ms, limit)
    next_ = Cursor(int(found["time_ms"][limit - 1])) if len(found) > limit else None
    said = Samples(
        truck=truck,
        samples=[written.sample_shape(row) for row in found[:limit]],
        next=None if next_ is None else str(next_),
    )
    return answered(ask.request, said, headers=links(ask.request, next_))


@reads(router, "/trucks/{truck}/rollups", Rollups, listed=True, problems=(404,))
def list_rollups(
    ask: Reads,
    truck: TruckName,
    step: Annotated[Literal["1min", "1h"], Query(description="Minutes or hours.")] = "1h",
    signals: Signals = None,
    since: Since = None,
    until: Until = None,
    limit: Many = 1000,
    cursor: After = None,
) -> Response:
    """Sum a truck's samples up by the minute or the hour: least, mean, greatest, time in temperature bands.

    Buckets are whole, so that those at the ends of the span count what lies outside it too. Time in bands is
    only that which was seen.
    """
    names = tuple(dict.fromkeys(signals or ("fluid_temp_c",)))
    step_ms, gap_ms = history.STEPS_MS[step], ask.house.reader.max_gap_ms
    with ask.house.store.read() as conn:
        first_ms, end_ms = _edges(ask, conn, truck, since, until, cursor, past_ms=step_ms)
        found: list[Bucket] = []
        for begin_ms, last_ms in _windows(first_ms, end_ms, 1440 * step_ms, whole_ms=step_ms):
            part = history.rollup(
                conn, truck, begin_ms, last_ms, step=step, signals=names, max_gap_ms=gap_ms
            )
            found += written.buckets(part)
            if len(found) > limit:
                break
    next_ = None
    if len(found) > limit:
        next_ = Cursor(unix_ms(datetime.fromisoformat(found[limit - 1].start_at)))
    said = Rollups(
        truck=truck,
        step=step,
        bands_edges_c=list(EDGES_C),
        buckets=found[:limit],
        next=None if next_ is None else str(next_),
    )
    return answered(ask.request, said, headers=links(ask.request, next_))


@reads(router, "/trucks/{truck}/series", Chart, problems=(404, 409))
def get_series(
    ask: Reads,
    truck: TruckName,
    since: Since = None,
    until: Until = None,
    width_px: Annotated[
        int, Query(ge=LEAST_PX, le=MOST_PX, description="Points at most, about [px].")
    ] = USUAL_PX,
    signals: Annotated[
        list[Drawn] | None,
        Query(max_length=len(SIGNALS), description="Only these signals; say it once for each."),
    ] = None,
    healthy: Annotated[
        bool, Query(description="Compute the healthy band, which takes the longest by far.")
    ] = True,
) -> Response:
    """Read a truck's chart over a span: lines, healthy band, limits, alarms, services, gaps.

    Left out, the span is the last day. As many points as a picture needs, whatever the span: beyond that each
    stands for a bucket with its least and greatest.
    """
    with ask.house.store.read() as conn:
        _must_know(ask, conn, truck)
        last = history.span(conn, truck)
        now_ms = ask.now_ms if last is None else last[1]
        first_ms, last_ms = span_ms(since, until, now_ms=now_ms, usual_ms=_DAY_MS)
        found = series(
            conn,
            ask.house.reader,
            truck,
            first_ms=first_ms,
            last_ms=last_ms,
            width_px=width_px,
            signals=tuple(dict.fromkeys(signals or USUAL)),
            healthy=healthy,
            units=ask.visitor.units,
        )
    return answered_bytes(ask.request, encode(found))


def _edges(
    ask: Ask,
    conn: sqlite3.Connection,
    truck: str,
    since: datetime | None,
    until: datetime | None,
    cursor: str | None,
    *,
    past_ms: int = 1,
) -> tuple[int, int]:
    """Give what of the span is to be read [Unix ms], its end not in it; ``past_ms`` after a cursor."""
    _must_know(ask, conn, truck)
    first_ms, last_ms = history.span(conn, truck) or (0, -1)
    if since is not None:
        first_ms = max(first_ms, unix_ms(since))
    if cursor is not None:
        first_ms = max(first_ms, cursor_of(cursor).number + past_ms)
    end_ms = last_ms + 1 if until is None else min(last_ms + 1, unix_ms(until))
    return first_ms, end_ms


def _windows(
    first_ms: int, end_ms: int, wide_ms: int, *, whole_ms: int = 1
) -> Iterator[tuple[int, int]]:
    """Cut a span into windows, first and last moment [Unix ms] of each; they meet at whole buckets."""
    begin_ms = first_ms
    while begin_ms < end_ms:
        next_ms = (begin_ms + wide_ms) // whole_ms * whole_ms
        yield begin_ms, min(next_ms, end_ms) - 1
        begin_ms = next_ms


def _enough(
    read: Callable[[int, int], NDArray[Any]], first_ms: int, end_ms: int, limit: int
) -> NDArray[Any]:
    """Read window by window until there is one more than asked for."""
    found: list[NDArray[Any]] = [read(first_ms, first_ms - 1)]
    count = 0
    for begin_ms, last_ms in _windows(first_ms, end_ms, _DAY_MS):
        found.append(read(begin_ms, last_ms))
        count += len(found[-1])
        if count > limit:
            break
    return np.concatenate(found)


def _must_know(ask: Ask, conn: sqlite3.Connection, truck: str) -> None:
    known = known_trucks(conn, ask.house.reader.fleet)
    if truck not in known:
        raise UnknownTruck(truck, known)
