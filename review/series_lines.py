"""The lines of a truck's chart: which signals there are, and how finely a span of them is read."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.sample import SIGNALS
from review import history
from review.reduced import Cells, Reduced, as_they_are, bucket_for, coarser

EVERY_SAMPLE_UP_TO_MS = 14 * 86_400_000
"""Up to this span every sample is read, and the healthy band computed from them [ms]: of a truck that drives
ten hours a day that takes about a second."""

TEMPERATURES = (
    "fluid_temp_c",
    "cooler_out_temp_c",
    "cooler_return_temp_c",
    "ambient_temp_c",
    "coolant_temp_c",
)
WORK = ("engine_load_pct", "engine_torque_nm", "speed_km_h", "engine_rpm", "lockup_slip_rpm")
LABELS = {
    "fluid_temp_c": "fluid",
    "cooler_out_temp_c": "to the cooler",
    "cooler_return_temp_c": "back from the cooler",
    "ambient_temp_c": "outside air",
    "coolant_temp_c": "engine coolant",
    "engine_load_pct": "engine load",
    "engine_torque_nm": "engine torque",
    "speed_km_h": "road speed",
    "engine_rpm": "engine speed",
    "lockup_slip_rpm": "converter slip",
}
"""What can be drawn, and what people call it."""

USUAL = ("fluid_temp_c", "cooler_out_temp_c", "cooler_return_temp_c", "ambient_temp_c")
"""What is drawn if nobody asks otherwise."""

_UNITS = {signal.name: signal.unit for signal in SIGNALS}
_MINUTE_MS, _HOUR_MS = 60_000, 3_600_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A signal; a number for each of ``Series.time_ms``, none where it was absent.

    ``low`` and ``high`` are empty where every sample is there as it is.
    """

    name: str
    label: str
    unit: str
    mean: Sequence[float | None]
    low: Sequence[float | None]
    high: Sequence[float | None]


def read(
    conn: sqlite3.Connection,
    truck: str,
    first_ms: int,
    last_ms: int,
    points: int,
    signals: Sequence[str],
    *,
    max_gap_ms: int = history.MAX_GAP_MS,
) -> tuple[Reduced, NDArray[Any] | None]:
    """Read a span in about so many points at most, and its samples where all of them were read."""
    span_ms = last_ms - first_ms
    bucket_ms = bucket_for(span_ms, points)
    if span_ms > EVERY_SAMPLE_UP_TO_MS:
        found = _summed(conn, truck, first_ms, last_ms, bucket_ms, signals, max_gap_ms)
        return found, None
    samples = history.samples(conn, truck, first_ms, last_ms)
    every = as_they_are(samples, signals)
    return every if len(samples) <= points else coarser(every, bucket_ms), samples


def line(name: str, found: Reduced) -> Line:
    """Give a signal as it is drawn."""
    cells = found.signals[name]
    reduced = found.bucket_ms > 0
    return Line(
        name=name,
        label=LABELS[name],
        unit=_UNITS[name],
        mean=_plain(cells.mean),
        low=_plain(cells.low) if reduced else (),
        high=_plain(cells.high) if reduced else (),
    )


def _summed(
    conn: sqlite3.Connection,
    truck: str,
    first_ms: int,
    last_ms: int,
    bucket_ms: int,
    signals: Sequence[str],
    max_gap_ms: int,
) -> Reduced:
    step: history.Step = "1h" if bucket_ms % _HOUR_MS == 0 else "1min"
    kept = history.rollup(
        conn, truck, first_ms, last_ms, step=step, signals=signals, max_gap_ms=max_gap_ms
    )
    heard = kept.samples > 0
    fine = Reduced(
        bucket_ms=kept.step_ms,
        time_ms=kept.start_ms[heard],
        signals={
            name: Cells(
                low=each.low[heard],
                mean=each.mean[heard],
                high=each.high[heard],
                count=each.count[heard].astype(np.float64),
            )
            for name, each in kept.signals.items()
        },
    )
    return coarser(fine, bucket_ms)


def _plain(values: NDArray[np.float64]) -> list[float]:
    """Give numbers to the hundredth: finer than any sensor."""
    return [float(value) for value in np.round(values, 2)]
