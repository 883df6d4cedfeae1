"""The last few readings of the fluid, and what neighbours tell of each other: a step, and roughness.

Fluid, pan and sensor have mass: between neighbouring readings a temperature goes on nearly as it went, or
as the heat that was just made pushes it. A step that neither explains, with a smooth course on both
sides, was made in the sensor or its wiring.
"""

from __future__ import annotations

import math
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from models.compiled import compiled
from models.layout import Layout

KEPT = 6
"""Readings kept: three before a step and three after it."""

JUMP_SD_K = 10.0
"""How large a sensor's steps are, one standard deviation [K]. Own choice; it moves odds by its logarithm."""

TAIL = 40.0
"""Degrees of freedom of the step that a healthy sensor may show [-]: tails a little wider than normal. Own
choice; with 20, a step must be a fifth larger."""

PUSHED_SHARE = 0.35
"""Share of the class's heat capacity that takes sudden heat at once, before the metal does [-]: the fluid of
the sump. Own choice; doubled, hard starts at 30 s a sample look like steps."""

FAST_SHARE = 0.1
"""The same for a place beyond the converter [-]: the converter's own fluid. Own choice."""


class Recent(Layout):
    """State: the newest reading last; the rest is not there until ``count`` says so."""

    count: int
    at_ms: Annotated[NDArray[np.float64], KEPT]
    read_c: Annotated[NDArray[np.float64], KEPT]
    most_w: Annotated[NDArray[np.float64], KEPT]  # most heat made since the reading before [W]
    span_most_w: float  # the same, since the newest reading


@compiled
def push(recent: Recent, at_ms: float, fluid_c: float) -> None:
    """Take a reading [Unix ms, °C]."""
    at, read, most = recent.at_ms, recent.read_c, recent.most_w
    for place in range(KEPT - 1):
        at[place] = at[place + 1]
        read[place] = read[place + 1]
        most[place] = most[place + 1]
    at[KEPT - 1] = at_ms
    read[KEPT - 1] = fluid_c
    most[KEPT - 1] = recent.span_most_w
    recent.span_most_w = 0.0
    recent.count = min(KEPT, recent.count + 1)


@compiled
def roughness_k(recent: Recent) -> tuple[float, float]:
    """How far the reading before the newest lies off its neighbours [K], and their longer span [s].

    Scaled so that white noise of one standard deviation gives residuals of the same; NaN without three.
    """
    if recent.count < 3:
        return math.nan, 0.0
    at, read = recent.at_ms, recent.read_c
    first_s = (at[4] - at[3]) / 1000.0
    last_s = (at[5] - at[4]) / 1000.0
    share = last_s / (first_s + last_s)
    off = read[4] - (share * read[3] + (1.0 - share) * read[5])
    scale = math.sqrt(1.0 + share * share + (1.0 - share) ** 2)
    return off / scale, max(first_s, last_s)


@compiled
def _log_t(value: float, scale: float) -> float:
    """Log density of Student's distribution with ``TAIL`` degrees of freedom (constant: normal's)."""
    z = value / scale
    return -0.5 * (TAIL + 1.0) * math.log1p(z * z / TAIL) - math.log(scale) - 0.919


@compiled
def step_evidence(
    recent: Recent, scale_k: float, per_s_k: float, light_j_k: float
) -> tuple[float, float, float]:
    """Weigh the middle of the readings kept as a step.

    Parameters
    ----------
    recent
        Nothing is said without all of them.
    scale_k, per_s_k
        What a healthy sensor's reading is off at once [K], and more for each second between readings [K/s].
    light_j_k
        Heat capacity that sudden heat meets at once [J/K].

    Returns
    -------
    tuple of float
        Size of the step that is left unexplained [K], log likelihood ratio of a faulty sensor to a
        healthy one [-], and the span between the two readings [s]; 0, 0, 0 without enough readings.
    """
    if recent.count < KEPT:
        return 0.0, 0.0, 0.0
    at, read, most = recent.at_ms, recent.read_c, recent.most_w
    span_s = (at[3] - at[2]) / 1000.0
    before = (read[2] - read[0]) / (at[2] - at[0]) * 1000.0
    after = (read[5] - read[3]) / (at[5] - at[3]) * 1000.0
    usual_w = 0.5 * (most[1] + most[2])
    hottest_w = max(most[3], most[4])
    pushed_k = (hottest_w - usual_w) * span_s / light_j_k
    high_k = max(before, after, 0.0) * span_s + max(0.0, pushed_k)
    low_k = min(before, after, 0.0) * span_s + min(0.0, pushed_k)
    moved_k = read[3] - read[2]
    left_k = moved_k - high_k if moved_k > high_k else min(0.0, moved_k - low_k)
    rough = abs(read[1] - 0.5 * (read[0] + read[2])) + abs(read[4] - 0.5 * (read[3] + read[5]))
    scale = math.sqrt((scale_k + per_s_k * span_s) ** 2 + 0.3 * rough * rough)
    wide = math.sqrt(JUMP_SD_K * JUMP_SD_K + scale * scale)
    faulty = -0.5 * (left_k / wide) ** 2 - math.log(wide) - 0.919
    return left_k, faulty - _log_t(left_k, scale), span_s
