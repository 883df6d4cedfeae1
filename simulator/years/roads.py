"""A route as the compiled physics follows it, never quite the same twice."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.fast.truck import STRETCH
from simulator.routes import Route, Segment

HALT_S = 120.0
"""How long the engine runs on at the end of a trip [s]."""

PACE_SD = 0.05
GRADE_SD_PCT = 0.25


def stretches(route: Route, rng: np.random.Generator) -> NDArray[Any]:
    """Write a route's segments as records, and the halt at its end, shape (segments + 1,)."""
    pace = float(np.clip(rng.normal(1.0, PACE_SD), 0.85, 1.12))
    rows = [_row(segment, pace, rng) for segment in route.segments]
    halt = (HALT_S, math.nan, 0.0, 0.0, route.segments[-1].trailer_kg, 1)
    return np.array([*rows, halt], STRETCH)


def _row(segment: Segment, pace: float, rng: np.random.Generator) -> tuple[float, ...]:
    grade = segment.grade_pct + (rng.normal(0.0, GRADE_SD_PCT) if segment.speed_km_h else 0.0)
    return (
        math.nan if segment.duration_s is None else segment.duration_s,
        math.nan if segment.distance_m is None else segment.distance_m,
        pace * segment.speed_km_h / 3.6,
        grade,
        segment.trailer_kg,
        int(segment.engine_on),
    )
