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
from models.view import View

KEPT = 6
"""Readings kept: three before a step and three after it."""

JUMP_SD_K = 10.0
"""How large a sensor's steps are, one standard deviation [K]. Own choice; it moves odds by its logarithm."""

TAIL = 40.0
"""Degrees of freedom of the step that a healthy sensor may show [-]: tails a little wider than normal. Own
choice; with 20, a step must be a fifth larger."""

ROUGH_SHARE = 0.3
"""How much of the roughness on both sides of a step, squared, adds to what it may be off [-]. Own choice;
doubled, steps of a sensor of whole degrees come out weaker, and noise is seldomer taken for a step."""

PUSHED_SHARE = 0.35
"""Share of the class's heat capacity that takes sudden heat at once, before the metal does [-]: the fluid of
the sump. Own choice; doubled, hard starts at 30 s a sample look like steps."""

FAST_SHARE = 0.1
"""The same for a place beyond the converter [-]: the converter's own fluid. Own choice."""


STEP_K = 0.6
STEP_K_S = 0.02
FAST_STEP_K_S = 0.15
"""What a healthy sensor's reading is off at once [K], whole degrees among them, and more for each second
between readings [K/s]: in the sump, and beyond the converter. From simulated trucks; doubled, a step of 6 K
is not told."""


class Recent(Layout):
    """State: the newest reading last; the rest is not there until ``count`` says so."""

    count: int
    at_ms: Annotated[NDArray[np.float64], KEPT]
    read_c: Annotated[NDArray[np.float64], KEPT]
    most_w: Annotated[NDArray[np.float64], KEPT]  # most heat made since the reading before [W]
    span_most_w: float  # the same, since the newest reading
    busy: Annotated[
        NDArray[np.float64], KEPT
    ]  # 1: load or gear changed since the reading before
    span_busy: float
    rpm: float  # engine, speed and clutch at the newest reading
    speed_km_h: float
    lockup: float


BUSY_RPM = 100.0
BUSY_KM_H = 2.0
"""A change of engine speed or road speed since the last reading with which the converter may have made a
burst of heat that no sample shows [1/min, km/h]. Own choice; doubled, hard shifts look like steps of a sensor
that sits beyond the converter."""


@compiled
def note_motion(recent: Recent, view: View) -> None:
    """Note at each sample what drives the heat: its most, and whether load or gear changed."""
    recent.span_most_w = max(recent.span_most_w, view.heat_w)
    steady = (
        abs(view.rpm - recent.rpm) <= BUSY_RPM
        and abs(view.speed_km_h - recent.speed_km_h) <= BUSY_KM_H
        and not abs(view.lockup - recent.lockup) > 0.5
    )
    if not steady:
        recent.span_busy = 1.0  # also where engine or road speed is not known
    if not math.isnan(view.fluid_c):
        recent.rpm = view.rpm
        recent.speed_km_h = view.speed_km_h
        recent.lockup = view.lockup


@compiled
def is_busy(recent: Recent) -> bool:
    """Say that load or gear changed around the middle of the readings kept."""
    return bool(recent.busy[2] + recent.busy[3] + recent.busy[4] > 0.0)


@compiled
def is_newest_busy(recent: Recent) -> bool:
    """Say that load or gear changed between the newest readings, of which ``roughness_k`` speaks."""
    return bool(recent.busy[KEPT - 2] + recent.busy[KEPT - 1] > 0.0)


@compiled
def push(recent: Recent, at_ms: float, fluid_c: float) -> None:
    """Take a reading [Unix ms, °C]."""
    at, read, most, busy = recent.at_ms, recent.read_c, recent.most_w, recent.busy
    for place in range(KEPT - 1):
        at[place] = at[place + 1]
        read[place] = read[place + 1]
        most[place] = most[place + 1]
        busy[place] = busy[place + 1]
    at[KEPT - 1] = at_ms
    read[KEPT - 1] = fluid_c
    most[KEPT - 1] = recent.span_most_w
    busy[KEPT - 1] = recent.span_busy
    recent.span_most_w = 0.0
    recent.span_busy = 0.0
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
def step_evidence(recent: Recent, fast: int, capacity_j_k: float) -> tuple[float, float, float]:
    """Weigh the middle of the readings kept as a step.

    Parameters
    ----------
    recent
        Nothing is said without all of them.
    fast
        1: the sensor sits beyond the converter or in the line.
    capacity_j_k
        Of the truck's class [J/K].

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
    light_j_k = capacity_j_k * (FAST_SHARE if fast == 1 else PUSHED_SHARE)
    pushed_k = (hottest_w - usual_w) * span_s / light_j_k
    high_k = max(before, after, 0.0) * span_s + max(0.0, pushed_k)
    low_k = min(before, after, 0.0) * span_s + min(0.0, pushed_k)
    moved_k = read[3] - read[2]
    left_k = moved_k - high_k if moved_k > high_k else min(0.0, moved_k - low_k)
    rough = abs(read[1] - 0.5 * (read[0] + read[2])) + abs(read[4] - 0.5 * (read[3] + read[5]))
    still_k = STEP_K + (FAST_STEP_K_S if fast == 1 else STEP_K_S) * span_s
    scale = math.sqrt(still_k * still_k + ROUGH_SHARE * rough * rough)
    wide = math.sqrt(JUMP_SD_K * JUMP_SD_K + scale * scale)
    faulty = -0.5 * (left_k / wide) ** 2 - math.log(wide) - 0.919
    return left_k, faulty - _log_t(left_k, scale), span_s
