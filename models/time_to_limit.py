"""Minutes until the fluid reaches a limit, if the load stays as it is.

The rise is the median slope over the last minutes: of means over blocks, so that neither the sample
period nor a sensor of whole degrees matters much. It does not last: the warmer the fluid, the more
heat goes off. A single thermal node approaches its end as ``1 - exp(-t / tau)``, with ``tau`` the heat
capacity over the conductance to where the heat goes. Where the heat balance says what the cooler
carries, ``tau`` follows from it; else the plain slope is the soonest and a cooler that carries all of
its share the latest.

Source: the exponential approach is the exact solution of the lumped balance with constant heat; the
median of slopes is Theil's and Sen's (from memory), kept to pairs that lie far apart.
"""

from __future__ import annotations

import math
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from models.compiled import compiled
from models.layout import Layout
from models.view import View

BLOCK_S = 20.0
"""Length of a block [s]; a sample period longer than that makes its own blocks. Own choice."""

BLOCKS = 12
"""Blocks that are kept [-]: four minutes at the shortest block. Fewer follow the load faster and read
less out of a sensor of whole degrees."""

WINDOW_S = 240.0
"""Age [s] at which a block no longer counts. Own choice: doubling it halves the error of the slope of a
sensor of whole degrees and makes the forecast late by two minutes where the load changes."""

LEAST_SPAN_S = 90.0
"""Time that a slope must rest on [s]: no short pull tells where a long one ends. Own choice."""

LEAST_BLOCKS = 4
"""Blocks that a slope must rest on [-]."""

LONGEST_SPAN_S = 60.0
"""Time between two readings beyond which the rise is looked at anew [s]: in more the load has changed."""

LOW_SHARE, HIGH_SHARE = 0.1, 0.9
"""Shares of the slopes that the band leaves out below and above [-]: 8 cases in 10."""

ROUNDING_K = 1.0
"""How far the fitted line may stand above the newest reading [K]: a coarse sensor's step."""

HELD_LOAD = 0.6
"""Share of the mean heat of the last minutes below which the load is no longer held [-]: then nothing is
foretold. Own choice: a crest takes more than that off at once."""


class RiseParams(Layout):
    """Prior of the truck's class: what sets how soon a rise falls off."""

    heat_capacity_j_k: float
    case_w_k: float  # case to air at 60 km/h [W/K]
    cooler_w_k: float  # effective conductance of the open cooler at 60 km/h [W/K]


class Rise(Layout):
    """State: the blocks of the last minutes, oldest first, and the slope they give."""

    blocks: int
    mid_ms: Annotated[NDArray[np.float64], 12]  # middle of each block [Unix ms]
    mean_c: Annotated[NDArray[np.float64], 12]
    heat_w: Annotated[NDArray[np.float64], 12]
    block_s: float  # of the block that is being filled [s, K·s, J]
    block_k_s: float
    block_j: float
    last_c: float
    span_s: float  # that the slope rests on [s], 0: no slope
    low_k_s: float  # slope and its band [K/s]
    slope_k_s: float
    high_k_s: float
    level_c: float  # where the fitted line stands at ``level_ms``
    level_ms: int
    now_w: float  # heat made lately [W], NaN: not known


@compiled
def forget(rise: Rise, fluid_c: float) -> None:
    """Begin anew at a temperature [°C]."""
    rise.blocks = 0
    rise.block_s = 0.0
    rise.block_k_s = 0.0
    rise.block_j = 0.0
    rise.span_s = 0.0
    rise.last_c = fluid_c


@compiled
def follow(rise: Rise, view: View, from_c: float) -> None:
    """Take a reading of the fluid.

    Parameters
    ----------
    rise
        Changed in place.
    view
        The truck at the newest sample, which holds a reading of the fluid.
    from_c
        Temperature below which no slope is worked out [°C]: it would concern nobody.
    """
    dt_s = view.fluid_dt_s
    if dt_s <= 0.0 or dt_s > LONGEST_SPAN_S or view.rpm < 1.0:
        forget(rise, view.fluid_c)
        return
    rise.block_s += dt_s
    rise.block_k_s += 0.5 * (rise.last_c + view.fluid_c) * dt_s
    rise.block_j += view.heat_w * dt_s
    rise.last_c = view.fluid_c
    if rise.block_s >= BLOCK_S - 1e-6:
        _keep(rise, float(view.time_ms))
        rise.span_s = 0.0
        if view.fluid_c >= from_c:
            _fit(rise)


@compiled
def _keep(rise: Rise, now_ms: float) -> None:
    """Close the block; the oldest goes, and whatever is too old."""
    gone = 1 if rise.blocks == BLOCKS else 0
    while gone < rise.blocks and now_ms - rise.mid_ms[gone] > 1000.0 * WINDOW_S:
        gone += 1
    kept = rise.blocks - gone
    for place in range(kept):
        rise.mid_ms[place] = rise.mid_ms[place + gone]
        rise.mean_c[place] = rise.mean_c[place + gone]
        rise.heat_w[place] = rise.heat_w[place + gone]
    rise.mid_ms[kept] = now_ms - 500.0 * rise.block_s
    rise.mean_c[kept] = rise.block_k_s / rise.block_s
    rise.heat_w[kept] = rise.block_j / rise.block_s
    rise.blocks = kept + 1
    rise.level_ms = int(now_ms)
    rise.block_s = 0.0
    rise.block_k_s = 0.0
    rise.block_j = 0.0


@compiled
def _fit(rise: Rise) -> None:
    """Work out slope, band and level from pairs of blocks that lie at least half of the span apart."""
    count = rise.blocks
    span_s = (rise.mid_ms[count - 1] - rise.mid_ms[0]) / 1000.0
    if count < LEAST_BLOCKS or span_s < LEAST_SPAN_S:
        return
    slopes = np.empty(BLOCKS * BLOCKS // 2)
    pairs = 0
    for late in range(1, count):
        for early in range(late):
            apart_s = (rise.mid_ms[late] - rise.mid_ms[early]) / 1000.0
            if apart_s >= 0.5 * span_s:
                slopes[pairs] = (rise.mean_c[late] - rise.mean_c[early]) / apart_s
                pairs += 1
    slopes = np.sort(slopes[:pairs])
    rise.span_s = span_s
    rise.low_k_s = _quantile(slopes, LOW_SHARE)
    rise.slope_k_s = _quantile(slopes, 0.5)
    rise.high_k_s = _quantile(slopes, HIGH_SHARE)
    levels = np.empty(count)
    for place in range(count):
        age_s = (rise.level_ms - rise.mid_ms[place]) / 1000.0
        levels[place] = rise.mean_c[place] + rise.slope_k_s * age_s
    rise.level_c = _quantile(np.sort(levels), 0.5)
    rise.now_w = rise.heat_w[count - 1]


@compiled
def _quantile(ordered: NDArray[np.float64], share: float) -> float:
    at = share * (len(ordered) - 1)
    below = int(at)
    above = min(below + 1, len(ordered) - 1)
    return float(ordered[below] + (at - below) * (ordered[above] - ordered[below]))


@compiled
def held(rise: Rise) -> bool:
    """Say that the load is still what it was in the minutes that the slope rests on.

    Where the heat is not known it is taken to be held.
    """
    total = 0.0
    for place in range(rise.blocks):
        total += rise.heat_w[place]
    return not rise.now_w < HELD_LOAD * total / rise.blocks


@compiled
def seconds_to(gap_k: float, slope_k_s: float, tau_s: float) -> float:
    """Time in which a rise covers a distance.

    Parameters
    ----------
    gap_k
        Distance to the limit [K].
    slope_k_s
        Rise now [K/s].
    tau_s
        Time constant of the approach [s]; infinite: the rise does not fall off.

    Returns
    -------
    float
        Seconds; 0 where the limit is behind, NaN where it will not be reached.
    """
    if gap_k <= 0.0:
        return 0.0
    if not slope_k_s > 0.0:
        return math.nan
    if math.isinf(tau_s):
        return gap_k / slope_k_s
    share = gap_k / (slope_k_s * tau_s)
    return -tau_s * math.log(1.0 - share) if share < 1.0 else math.nan


@compiled
def time_constant_s(params: RiseParams, carried: float) -> float:
    """Time constant of the fluid [s] with the cooler carrying a part of its usual share, 0 to 1 [-]."""
    return params.heat_capacity_j_k / (params.case_w_k + carried * params.cooler_w_k)


@compiled
def minutes_to(
    params: RiseParams, rise: Rise, now_ms: int, limit_c: float, carried: float
) -> tuple[float, float, float]:
    """Time until a limit is passed with the load held: as likely, at the soonest, at the latest.

    Parameters
    ----------
    params, rise
        Of this truck.
    now_ms
        Time of the newest sample [Unix ms].
    limit_c
        The limit [°C].
    carried
        What the cooler carries of its usual share [-], NaN where nothing tells.

    Returns
    -------
    tuple of float
        Minutes, each NaN where it does not get there; all NaN where no slope is known or the load is no
        longer held.
    """
    if rise.span_s == 0.0 or not held(rise):
        return math.nan, math.nan, math.nan
    known = not math.isnan(carried)
    likely_s = time_constant_s(params, carried if known else 0.5)
    latest_s = time_constant_s(params, carried if known else 1.0)
    soonest_s = likely_s if known else math.inf
    age_s = (now_ms - rise.level_ms) / 1000.0
    # A reading that leaps bends the line: it is never taken to stand higher than the fluid was read.
    gap_k = limit_c - min(rise.level_c, rise.last_c + ROUNDING_K)
    return (
        _left(gap_k, rise.slope_k_s, likely_s, rise.span_s, age_s),
        _left(gap_k, rise.high_k_s, soonest_s, rise.span_s, age_s),
        _left(gap_k, rise.low_k_s, latest_s, rise.span_s, age_s),
    )


@compiled
def _left(gap_k: float, slope_k_s: float, tau_s: float, span_s: float, age_s: float) -> float:
    """Minutes left: the slope is that of the middle of its span, and has fallen off since."""
    slope = slope_k_s * math.exp(-0.5 * span_s / tau_s)
    left_s = seconds_to(gap_k, slope, tau_s)
    return math.nan if math.isnan(left_s) else max(0.0, left_s - age_s) / 60.0
