"""The table that says the same as a chart: a few spans of time, and what was measured in each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from review.reduced import BUCKETS_MS
from review.series import Series

MOST_ROWS = 24
"""Rows of a table that somebody can still listen to; own choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """A signal in one row: least, mean and greatest, none where it was absent."""

    name: str
    unit: str
    low: float | None
    mean: float | None
    high: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One span of time [Unix ms], with a reading for each line; it holds at least one sample."""

    first_ms: int
    last_ms: int
    readings: Sequence[Reading]


def rows_of(found: Series) -> list[Row]:
    """Give the rows of a series, of equal spans; where nothing was measured there is none."""
    times = np.asarray(found.time_ms, dtype=np.int64)
    if len(times) == 0:
        return []
    span_ms = found.last_ms - found.first_ms
    step_ms = next(
        (each for each in BUCKETS_MS if span_ms <= each * MOST_ROWS), -(-span_ms // MOST_ROWS)
    )
    places = times // step_ms
    starts = np.flatnonzero(np.diff(places, prepend=places[0] - 1))
    ends = [*starts[1:], len(times)]
    return [
        Row(
            first_ms=max(int(places[start]) * step_ms, found.first_ms),
            last_ms=min((int(places[start]) + 1) * step_ms, found.last_ms),
            readings=_readings(found, int(start), int(end)),
        )
        for start, end in zip(starts, ends, strict=True)
    ]


def _readings(found: Series, start: int, end: int) -> list[Reading]:
    readings = []
    for line in found.lines:
        mean = _known(line.mean[start:end])
        low = _known(line.low[start:end]) if line.low else mean
        high = _known(line.high[start:end]) if line.high else mean
        readings.append(
            Reading(
                name=line.name,
                unit=line.unit,
                low=float(low.min()) if len(low) else None,
                mean=float(mean.mean()) if len(mean) else None,
                high=float(high.max()) if len(high) else None,
            )
        )
    return readings


def _known(values: Sequence[float | None]) -> NDArray[np.float64]:
    numbers = np.asarray(values, dtype=np.float64)
    return numbers[np.isfinite(numbers)]
