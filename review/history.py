"""A truck's history: its samples, and what they come to by the minute and the hour, wherever they lie."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from numpy.typing import NDArray

from ingest import journal, sealed
from ingest.archive import Month
from ingest.codec import absent
from ingest.history import table
from ingest.rollup import HOUR_MS, MINUTE_MS, Rollup, between, joined
from ingest.rollup import rollup as sum_up
from ingest.sealed import Sealed, archive_of
from models.sample import SIGNAL_NAMES

if TYPE_CHECKING:
    import pandas as pd

Step = Literal["1min", "1h"]

STEPS_MS: dict[Step, int] = {"1min": MINUTE_MS, "1h": HOUR_MS}

MAX_GAP_MS = 300_000
"""Longest span between readings that counts as seen [ms], where the caller has no setting for it."""


def span(conn: sqlite3.Connection, truck: str) -> tuple[int, int] | None:
    """Give the times of a truck's first and last sample [Unix ms], None when nothing is stored."""
    vehicle_id = _id(conn, truck)
    return None if vehicle_id is None else journal.span(conn, vehicle_id=vehicle_id)


def samples(conn: sqlite3.Connection, truck: str, first_ms: int, last_ms: int) -> NDArray[Any]:
    """Give a truck's samples (records ``SAMPLE``) in order, both ends included; none if never heard."""
    vehicle_id = _id(conn, truck)
    if vehicle_id is None:
        return absent(0)
    return journal.read(conn, vehicle_id=vehicle_id, first_ms=first_ms, last_ms=last_ms)


def frame(records: NDArray[Any]) -> pd.DataFrame:
    """Give samples as a table: index ``time`` (UTC), one float column a signal, NaN where absent."""
    return table(records)


def rollup(
    conn: sqlite3.Connection,
    truck: str,
    first_ms: int,
    last_ms: int,
    *,
    step: Step,
    signals: Sequence[str] = SIGNAL_NAMES,
    max_gap_ms: int = MAX_GAP_MS,
) -> Rollup:
    """Give what a truck's samples come to, from the bucket of ``first_ms`` to that of ``last_ms``.

    Buckets are whole: those at the ends also count what lies outside the span.
    """
    step_ms = STEPS_MS[step]
    begin_ms = first_ms // step_ms * step_ms
    end_ms = (last_ms // step_ms + 1) * step_ms
    asked = _Asked(
        conn=conn,
        vehicle_id=_id(conn, truck),
        step_ms=step_ms,
        signals=tuple(signals),
        max_gap_ms=max_gap_ms,
    )
    return joined(list(_parts(asked, begin_ms, end_ms)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """What is asked of whom."""

    conn: sqlite3.Connection
    vehicle_id: int | None
    step_ms: int
    signals: tuple[str, ...]
    max_gap_ms: int

    def summed(self, begin_ms: int, end_ms: int) -> Rollup:
        """Sum up samples; those about the ends say how long the fluid was seen there."""
        found = absent(0)
        if self.vehicle_id is not None:
            found = journal.read(
                self.conn,
                vehicle_id=self.vehicle_id,
                first_ms=begin_ms - self.max_gap_ms,
                last_ms=end_ms + self.max_gap_ms - 1,
            )
        whole = sum_up(
            found, step_ms=self.step_ms, max_gap_ms=self.max_gap_ms, signals=self.signals
        )
        return between(whole, begin_ms, end_ms)

    def kept(self) -> list[Sealed]:
        """Give the sealed months whose sums hold: none of their samples came late."""
        if self.vehicle_id is None:
            return []
        months = sealed.months(self.conn, vehicle_id=self.vehicle_id)
        hot_ms = journal.oldest_row_ms(self.conn, vehicle_id=self.vehicle_id)
        return [
            each
            for each in months
            if each.max_gap_ms == self.max_gap_ms and hot_ms >= Month.parse(each.month).end_ms
        ]


def _parts(asked: _Asked, begin_ms: int, end_ms: int) -> Iterator[Rollup]:
    """Give the sums of a span in order: from the archive where it has them, made of samples elsewhere."""
    done_ms = begin_ms
    for each in asked.kept():
        month = Month.parse(each.month)
        first_ms, last_ms = max(month.first_ms, done_ms), min(month.end_ms, end_ms)
        if first_ms >= last_ms:
            continue
        kept = archive_of(asked.conn).rollup(each.name, asked.step_ms, asked.signals)
        if kept is None:
            continue
        if done_ms < first_ms:
            yield asked.summed(done_ms, first_ms)
        yield between(kept, first_ms, last_ms)
        done_ms = last_ms
    yield asked.summed(done_ms, max(end_ms, done_ms))


def best_step(span_ms: int, points: int) -> Literal["raw"] | Step:
    """Name the coarsest form that still gives about ``points`` points of driving over a span."""
    if span_ms // HOUR_MS >= points:
        return "1h"
    return "1min" if span_ms // MINUTE_MS >= points else "raw"


def _id(conn: sqlite3.Connection, truck: str) -> int | None:
    row = conn.execute("SELECT id FROM vehicle WHERE name = ?", (truck,)).fetchone()
    return None if row is None else int(row[0])
