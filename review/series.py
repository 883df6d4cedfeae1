"""A truck over a span, for drawing: its signals, what they are held against, and what happened.

One source for every chart: of the console, of the API and of a review. SI throughout, times in Unix ms.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from models.units import METRIC, Units
from review import history
from review.expected import STEP_MS, Z_80, Expected, expected, limits_at, samples_before
from review.problems import Mistake
from review.reading import Reader, Stored, no_account
from review.series_circuit import Circuit, circuit_at, circuit_kept
from review.series_lines import LABELS, USUAL, Line, line, read
from review.series_marks import (
    NIGHT_WORDS,
    AlarmSpan,
    ServiceMark,
    Stretch,
    alarm_spans,
    gaps,
    nights,
    service_marks,
)

GAP_MS = 300_000
"""A line is broken where nothing was measured for longer [ms]."""

MOST_BEFORE = 60_000
"""More samples are not run through to get to a span, for whoever looks at a page: about a second."""

LEAST_SPAN_MS, LONGEST_SPAN_MS = 60_000, 20 * 366 * 86_400_000
LEAST_PX, MOST_PX, USUAL_PX = 60, 4000, 1000

TOO_LONG = (
    "The healthy band is computed from every sample, step by step, and drawn for up to 14 days: choose a "
    "shorter span to see it."
)
NOT_KEPT = (
    "There is no healthy band here: no state of this truck is kept from so long ago, and to compute it from "
    "its first sample on would take minutes."
)
NOT_KNOWN = (
    "In this span nothing could be expected of a healthy truck: too little was measured."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Healthy:
    """What the fluid would show if the circuit were healthy [°C], by its own times [Unix ms].

    Between ``low`` and ``high`` 8 in 10 healthy trucks would be.
    """

    time_ms: Sequence[int]
    mean: Sequence[float]
    low: Sequence[float]
    high: Sequence[float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A limit of the fluid as it holds at the end of the span [°C]."""

    name: str
    celsius: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """A truck over a span.

    ``bucket_ms`` is how long a point stands for [ms], 0: every sample is there as it is; ``time_ms`` is where
    each is drawn [Unix ms]: the middle of its bucket. A line is not drawn across more than ``gap_ms``.
    ``healthy_why``: why there is no healthy band, else empty. ``oldest_ms``, ``newest_ms``: the truck's first
    and last sample.
    """

    truck: str
    first_ms: int
    last_ms: int
    oldest_ms: int | None
    newest_ms: int | None
    bucket_ms: int
    gap_ms: int
    time_ms: Sequence[int]
    lines: Sequence[Line]
    healthy: Healthy | None
    healthy_why: str
    limits: Sequence[Limit]
    circuit: Circuit | None
    alarms: Sequence[AlarmSpan]
    services: Sequence[ServiceMark]
    gaps: Sequence[Stretch]
    nights: Sequence[Stretch]
    night_words: str


def series(
    conn: sqlite3.Connection,
    reader: Reader,
    truck: str,
    *,
    first_ms: int,
    last_ms: int,
    width_px: int = USUAL_PX,
    signals: Sequence[str] = USUAL,
    healthy: bool = True,
    units: Units = METRIC,
) -> Series:
    """Give a truck over a span.

    Parameters
    ----------
    conn, reader
        The store, and how to read it.
    truck
        Its name.
    first_ms, last_ms
        The span [Unix ms], both ends included.
    width_px
        How many points are wanted at most, about: the width of the picture in its own pixels.
    signals
        Names of signals, of those in ``LABELS``.
    healthy
        Compute the healthy band, which takes the longest by far.
    units
        For the words of alarms and services, and for the zone that nights go by.

    Raises
    ------
    UnknownTruck
        There is no such truck.
    Mistake
        The span or a signal is none.
    """
    _check(first_ms, last_ms, signals)
    stored = reader.truck(conn, truck)
    points = min(max(width_px, LEAST_PX), MOST_PX)
    lines, samples = read(
        conn, truck, first_ms, last_ms, points, signals, max_gap_ms=reader.max_gap_ms
    )
    found, why = None, ""
    if healthy:
        found, why = _expected(conn, stored, samples, first_ms, lines.bucket_ms)
    edges = history.span(conn, truck) or (None, None)
    band = _band(found)
    return Series(
        truck=truck,
        first_ms=first_ms,
        last_ms=last_ms,
        oldest_ms=edges[0],
        newest_ms=edges[1],
        bucket_ms=lines.bucket_ms,
        gap_ms=max(GAP_MS, lines.bucket_ms + lines.bucket_ms // 2),
        time_ms=lines.middle_ms.tolist(),
        lines=[line(name, lines) for name in signals],
        healthy=band,
        healthy_why=why if band is None else "",
        limits=_limits(stored, found),
        circuit=circuit_at(found) if found else circuit_kept(conn, stored, first_ms, last_ms),
        alarms=alarm_spans(conn, truck, first_ms, last_ms, units),
        services=service_marks(stored.entries, first_ms, last_ms, units),
        gaps=gaps(lines.time_ms, GAP_MS, lines.bucket_ms, first_ms, last_ms),
        nights=nights(first_ms, last_ms, units.zone),
        night_words=NIGHT_WORDS,
    )


def encode(found: Series) -> bytes:
    """Write it as JSON; what is not known is null."""
    return msgspec.json.encode(found)


def _check(first_ms: int, last_ms: int, signals: Sequence[str]) -> None:
    if not LEAST_SPAN_MS <= last_ms - first_ms <= LONGEST_SPAN_MS:
        raise Mistake(
            "a chart spans a minute at least and 20 years at most; choose other dates"
        )
    if not signals or (strange := [name for name in signals if name not in LABELS]):
        raise Mistake(
            f"{', '.join(strange)!r} cannot be drawn; choose among {', '.join(LABELS)}"
            if signals
            else f"no signal was chosen; choose among {', '.join(LABELS)}"
        )


def _band(found: Expected | None) -> Healthy | None:
    if found is None or np.count_nonzero(found.healthy) < 2:
        return None
    known = found.healthy
    mean, reach = found.celsius[known], Z_80 * found.sd_k[known]
    return Healthy(
        time_ms=found.time_ms[known].tolist(),
        mean=np.round(mean, 2).tolist(),
        low=np.round(mean - reach, 2).tolist(),
        high=np.round(mean + reach, 2).tolist(),
    )


def _expected(
    conn: sqlite3.Connection,
    stored: Stored,
    samples: NDArray[Any] | None,
    first_ms: int,
    bucket_ms: int,
) -> tuple[Expected | None, str]:
    """Give what is expected of a healthy truck, and what is said where that is nothing."""
    if samples is None:
        return None, TOO_LONG
    if stored.held is None:
        return None, f"There is no healthy band: {no_account(stored.name, stored.standing)}."
    if samples_before(conn, stored.held, first_ms) > MOST_BEFORE:
        return None, NOT_KEPT
    step_ms = max(STEP_MS, bucket_ms)
    return expected(conn, stored.held, samples, step_ms=step_ms), NOT_KNOWN


def _limits(stored: Stored, found: Expected | None) -> list[Limit]:
    if found is not None:
        named = found.limits
    elif stored.held is not None and stored.state is not None:
        named = limits_at(stored.held, stored.state)
    else:
        return []
    return [Limit(name=name, celsius=celsius) for name, celsius in named]
