"""A truck's history: its samples, and what they come to by the minute and the hour, wherever they lie."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Any, Literal

import pandas as pd
from numpy.typing import NDArray

from ingest import journal
from ingest.codec import absent
from ingest.history import table
from ingest.rollup import HOUR_MS, MINUTE_MS, Rollup, between
from ingest.rollup import rollup as sum_up
from models.sample import SIGNAL_NAMES

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
    found = samples(conn, truck, begin_ms - max_gap_ms, end_ms + max_gap_ms - 1)
    whole = sum_up(found, step_ms=step_ms, max_gap_ms=max_gap_ms, signals=signals)
    return between(whole, begin_ms, end_ms)


def best_step(span_ms: int, points: int) -> Literal["raw"] | Step:
    """Name the coarsest form that still gives about ``points`` points of driving over a span."""
    if span_ms // HOUR_MS >= points:
        return "1h"
    return "1min" if span_ms // MINUTE_MS >= points else "raw"


def _id(conn: sqlite3.Connection, truck: str) -> int | None:
    row = conn.execute("SELECT id FROM vehicle WHERE name = ?", (truck,)).fetchone()
    return None if row is None else int(row[0])
