"""What the work itself would have cost with a healthy circuit, and what came on top."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.ageing import mean_rate
from models.compiled import compiled
from models.expectation import TRUSTED_FROM
from review.dossier.facts import Duty, Numbers


def work_of(
    notes: NDArray[Any], ageing: NDArray[Any], limit_c: float, max_gap_s: float
) -> Duty:
    """Compare what was measured with what a healthy circuit would have shown, in notes by the minute.

    ``ageing``: record ``models.ageing.AgeingParams``, shape (1,).
    """
    told = notes[np.isfinite(notes["fluid_c"]) & np.isfinite(notes["expected_c"])]
    cost_s, healthy_s = costs(told, ageing, max_gap_s)
    healthy_c, span_s = _healthy(told), _spans(told, max_gap_s)
    hot = told["fluid_c"] > limit_c
    driving = (told["speed_km_h"] > 5.0) & ~hot
    return Duty(
        cost_s=cost_s,
        healthy_cost_s=healthy_s,
        told_h=float(span_s.sum()) / 3600.0,
        hottest_c=_most(told["fluid_c"]),
        healthy_hottest_c=_most(healthy_c),
        healthy_over_h=float(span_s[healthy_c > limit_c].sum()) / 3600.0,
        heat_kw=_mean(told["heat_kw"][hot]),
        usual_kw=_mean(told["heat_kw"][driving]),
    )


def costs(told: NDArray[Any], ageing: NDArray[Any], max_gap_s: float) -> tuple[float, float]:
    """Cost both courses [s at the reference temperature], over the time that both are known."""
    fluid_c = np.ascontiguousarray(told["fluid_c"])
    found = _both(ageing, fluid_c, _healthy(told), _spans(told, max_gap_s))
    return float(found[0]), float(found[1])


def _healthy(told: NDArray[Any]) -> Numbers:
    """Give what a healthy circuit would have shown: while the truck is trusted, it is that itself."""
    return np.where(told["trust"] > TRUSTED_FROM, told["fluid_c"], told["expected_c"])


def _spans(told: NDArray[Any], max_gap_s: float) -> Numbers:
    span_s = np.diff(told["time_ms"], prepend=told["time_ms"][:1]) / 1000.0
    span_s[span_s > max_gap_s] = 0.0
    return np.asarray(span_s, dtype=np.float64)


@compiled
def _both(
    ageing: Any, fluid_c: Numbers, healthy_c: Numbers, span_s: Numbers
) -> tuple[float, float]:
    cost_s = healthy_s = 0.0
    for row in range(1, len(fluid_c)):
        if span_s[row] > 0.0:
            cost_s += span_s[row] * mean_rate(ageing[0], fluid_c[row - 1], fluid_c[row])
            healthy_s += span_s[row] * mean_rate(ageing[0], healthy_c[row - 1], healthy_c[row])
    return cost_s, healthy_s


def _most(values: Numbers) -> float:
    return float(values.max()) if len(values) else float("nan")


def _mean(values: Numbers) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else float("nan")
