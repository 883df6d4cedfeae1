"""What was estimated of a truck's cooling circuit over a span."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ingest.held import unpack
from models.layout import record
from review.expected import Expected, estimate
from review.reading import Stored

_KEPT = (
    "SELECT time_ms, state FROM checkpoint WHERE vehicle_id = ? AND time_ms BETWEEN ? AND ? "
    "ORDER BY time_ms"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Circuit:
    """Estimates by their own times [Unix ms], none where nothing was weighed yet.

    ``share``: the cooler's conductance as a share of this truck's own healthy one [-], with ``share_sd``.
    ``p_fault``: probability that the circuit is not healthy [-].
    """

    time_ms: Sequence[int]
    share: Sequence[float | None]
    share_sd: Sequence[float | None]
    p_fault: Sequence[float | None]


def circuit_at(found: Expected) -> Circuit:
    """Give it from a run through every sample."""
    values = np.column_stack([found.share, found.share_sd, found.p_fault])
    return _circuit(found.time_ms, values)


def circuit_kept(
    conn: sqlite3.Connection, stored: Stored, first_ms: int, last_ms: int
) -> Circuit | None:
    """Give it from the states that are kept: by the day, of late by the hour. None: the truck has none."""
    if stored.held is None:
        return None
    rows = conn.execute(_KEPT, (stored.held.vehicle_id, first_ms, last_ms)).fetchall()
    if not rows:
        return None
    values = [estimate(record(unpack(body)).truck.thermal) for _, body in rows]
    return _circuit(
        np.array([time_ms for time_ms, _ in rows], dtype=np.int64), np.array(values)
    )


def _circuit(time_ms: NDArray[np.int64], values: NDArray[np.float64]) -> Circuit:
    share, share_sd, p_fault = np.round(values, 4).T.tolist()
    return Circuit(time_ms=time_ms.tolist(), share=share, share_sd=share_sd, p_fault=p_fault)
