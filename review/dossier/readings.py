"""The readings of the fluid that the account believed, and what each span between two of them cost."""

from __future__ import annotations

import sqlite3
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest import journal
from models.ageing import mean_rate
from models.compiled import compiled
from models.layout import copied
from models.view import look
from review.dossier.facts import Numbers, Readings, Times

PIECE_MS = 31 * 86_400_000
"""Samples of so long are held at once [ms]: those of years need not fit into memory."""


def believed(
    conn: sqlite3.Connection,
    vehicle_id: int,
    params: Any,
    view: NDArray[Any],
    first_ms: int,
    last_ms: int,
) -> tuple[Times, Numbers, int]:
    """Give times and temperatures of the readings that were believed, and how many samples there were.

    ``params`` a record ``models.kernel.PARAMS``; ``view`` records ``models.view.View``, shape (1,), as of
    the sample before.
    """
    view, own = copied(view), np.array([params.latest])
    times, fluid, count = [], [], 0
    for start_ms in range(first_ms, last_ms + 1, PIECE_MS):
        end_ms = min(start_ms + PIECE_MS - 1, last_ms)
        samples = journal.read(conn, vehicle_id=vehicle_id, first_ms=start_ms, last_ms=end_ms)
        counted = np.zeros(len(samples))
        _look_on(own, view, samples, counted)
        kept = counted > 0.0
        times.append(samples["time_ms"][kept])
        fluid.append(samples["fluid_temp_c"][kept])
        count += len(samples)
    return np.concatenate(times), np.concatenate(fluid), count


def costed(
    time_ms: Times, fluid_c: Numbers, ageing: NDArray[Any], max_gap_s: float, fill_ms: int
) -> Readings:
    """Cost the spans between readings by a fluid's law (record ``AgeingParams``, shape (1,)).

    A new fill begins with its own first reading: the span across ``fill_ms`` belongs to none.
    """
    span_s = np.diff(time_ms, prepend=time_ms[:1]) / 1000.0
    across = np.searchsorted(time_ms, fill_ms)
    span_s[span_s > max_gap_s] = 0.0
    if across < len(span_s):
        span_s[across] = 0.0
    cost_s = np.zeros(len(time_ms))
    _cost(ageing, fluid_c, span_s, cost_s)
    return Readings(time_ms=time_ms, fluid_c=fluid_c, span_s=span_s, cost_s=cost_s)


@compiled
def _look_on(params: Any, view: Any, samples: Any, counted: NDArray[np.float64]) -> None:
    """Mark the samples whose reading of the fluid the truck's view takes."""
    for row in range(len(samples)):
        look(params[0], view[0], samples[row])
        counted[row] = 1.0 if view[0].fluid_c == view[0].fluid_c else 0.0


@compiled
def _cost(
    ageing: Any,
    fluid_c: NDArray[np.float64],
    span_s: NDArray[np.float64],
    cost_s: NDArray[np.float64],
) -> None:
    """Cost each span [s] at the mean rate between its ends."""
    for row in range(1, len(fluid_c)):
        if span_s[row] > 0.0:
            cost_s[row] = span_s[row] * mean_rate(ageing[0], fluid_c[row - 1], fluid_c[row])
