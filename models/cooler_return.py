"""The line back from the cooler: what it says of how much the cooler takes.

Between its two lines a cooler shows its effectiveness by itself, whatever heat the gearbox makes:

    (line - back) / (line - sink) = K / C

with ``K`` the conductance and ``C`` the capacity rate of what flows through it. Starved of air, ``K`` falls
and ``C`` stays: the fluid comes back hot. Starved of fluid, ``C`` falls further than ``K``: it comes back
colder than usual. The scale of each truck's own ratio is learned (``models.circuit.LN_EFFECT``).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from models import priors
from models.circuit import (
    BYPASS,
    COOLANT,
    COOLANT_VALVE,
    FAULT,
    FLUID,
    LN_EFFECT,
    RPM,
    SINK,
    SINK_RISE_K,
    SPAN_S,
    SPEED_KM_H,
    STATES,
    TANK_AND_AIR,
    CircuitParams,
    sinks_c,
    through,
)
from models.compiled import compiled
from models.cooler import CORE_FLOW, FLUID_SIDE, MOST_USED, pumped, ram
from models.hypotheses import AIR, FLOW, LOW
from models.hypothesis_filter import update_by
from models.layout import Layout

LEAST_KM_H = 40.0
"""Speed from which a cooler in the air is judged so [km/h]; own choice: slower, its fan decides."""

LEAST_OVER_K = 20.0
"""How far the line must be above what cools it to be judged so [K]; own choice: what cools it is not known to
some kelvin, least of all the cold tank of a radiator while the engine warms up."""

BEYOND_K = 15.0
"""How far beyond sink and line a line back may read to be believed [K]; own choice: where the line has just
cooled it lags by that."""

FROZEN = 20
"""Windows that a line back may read the same to be believed [-]: ten minutes; own choice."""

LEAST_THROUGH = 0.25
"""Least share of the usual flow at which the line back is judged [-]; own choice: where less flows it lags
by minutes."""

LEAST_SHARE = 1e-3
"""Least share of the usual flow that is reckoned with [-]."""

BACK_LAG_S = 20.0
"""Time constant of the line back at the usual flow [s]; own choice."""


class LineBack(Layout):
    """State: lines a window ago [°C], not a number: not known; how long the one back has stayed as it was."""

    line_c: float
    back_c: float
    same: int  # windows


@compiled
def begin_back(before: LineBack) -> None:
    """Begin anew: nothing is known of the window before."""
    before.line_c = before.back_c = math.nan
    before.same = 0


@compiled
def note_back(before: LineBack, line_c: float, back_c: float) -> None:
    """Keep the readings of a window [°C]."""
    before.line_c = line_c
    if not math.isnan(back_c):
        before.same = before.same + 1 if back_c == before.back_c else 0
        before.back_c = back_c


@compiled
def flows_back(
    params: CircuitParams,
    before: LineBack,
    duty: NDArray[np.float64],
    x: NDArray[np.float64],
    share: float,
    line_c: float,
    back_c: float,
) -> float:
    """Give the flow through a healthy cooler as a share of the usual [-], 0 where it is not judged by.

    Parameters as for ``comes_back_c``, ``x`` and ``share`` of the healthy one; ``back_c`` as read [°C]. One
    that cannot be, or never moves, is its sensor's.
    """
    if math.isnan(line_c + back_c + before.line_c) or before.same >= FROZEN:
        return 0.0
    if params.kind == TANK_AND_AIR:
        return 0.0  # two sinks in a row: the ratio hangs on both
    if params.kind < COOLANT and duty[SPEED_KM_H] < LEAST_KM_H:
        return 0.0
    coolant_c, air_c = sinks_c(params, duty, x)
    sink_c = air_c if params.kind < COOLANT else coolant_c
    if line_c - sink_c < LEAST_OVER_K:
        return 0.0
    if not sink_c - BEYOND_K <= back_c <= line_c + BEYOND_K:
        return 0.0
    flow = pumped(duty[RPM], x[FLUID])
    if params.kind == BYPASS:
        flow *= through(share)
    return flow if flow >= LEAST_THROUGH else 0.0


@compiled
def comes_back_c(
    params: CircuitParams,
    hypothesis: int,
    duty: NDArray[np.float64],
    x: NDArray[np.float64],
    share: float,
    line_c: float,
) -> float:
    """Temperature of the fluid that comes back from the cooler under a hypothesis [°C].

    Parameters
    ----------
    params, hypothesis
        The circuit, and what it is taken to be.
    duty
        Means over the window, shape (``DUTY``,).
    x
        State, shape (``STATES``,).
    share
        How far the valve is open [-].
    line_c
        Line to the cooler [°C].
    """
    pump = pumped(duty[RPM], x[FLUID])
    passes = 1.0
    if hypothesis == FLOW:
        passes = math.exp(x[FAULT])
    elif hypothesis == LOW and params.kind == BYPASS:
        # Most of all a valve part-way open: the flow that leaves so much of the conductance.
        passes = FLUID_SIDE / (math.exp(-x[FAULT]) - (1.0 - FLUID_SIDE))
    flow = max(LEAST_SHARE, pump * passes)
    if params.kind == BYPASS:
        flow = max(LEAST_SHARE, flow * through(share))
    air = ram(duty[SPEED_KM_H]) * (math.exp(x[FAULT]) if hypothesis == AIR else 1.0)
    used = min(MOST_USED, params.cooler_w_k / params.flow_w_k)
    coolant_c, air_c = sinks_c(params, duty, x)
    if params.kind < COOLANT:
        sink_c, sink_share = air_c + SINK_RISE_K, air
    else:
        sink_c, sink_share = coolant_c, (share if params.kind == COOLANT_VALVE else 1.0)
    taken = effect(used, flow, sink_share, x[LN_EFFECT])
    back: float = line_c - taken * (line_c - sink_c)
    return back


@compiled
def effect(used: float, flow: float, sink_share: float, ln_scale: float) -> float:
    """Share that a cooler takes of what the fluid could give it [-].

    Parameters
    ----------
    used
        That of the class's cooler at the usual flows [-].
    flow, sink_share
        Fluid that flows, and air or coolant, as shares of the usual [-].
    ln_scale
        ln of the scale of this truck's number of transfer units [-].

    Source
    ------
    Effectiveness ``1 - exp(-N)`` of a sink that hardly warms; ``N`` goes with the flow as ``CORE_FLOW`` says.
    More than the usual air adds to ``N``; less, which warms up, takes of the whole as two resistances in a
    row do (``models.cooler.conductance_w_k``): common practice, no source.
    """
    sink_side = (1.0 - FLUID_SIDE) * flow
    by_sink = (FLUID_SIDE + sink_side) / (FLUID_SIDE + sink_side / max(LEAST_SHARE, sink_share))
    units = -math.log(1.0 - used) * flow**CORE_FLOW * math.exp(ln_scale)
    return min(1.0, by_sink) * (1.0 - math.exp(-units * max(1.0, by_sink)))


@compiled
def _slope(
    params: CircuitParams,
    hypothesis: int,
    duty: NDArray[np.float64],
    x: NDArray[np.float64],
    cov: NDArray[np.float64],
    share: float,
    line_c: float,
) -> NDArray[np.float64]:
    """How the line back goes with what is estimated [K per unit], shape (``STATES``,).

    By divided differences. The valve is taken as it is: what it lets through changes conductance and flow
    nearly alike.
    """
    slope = np.zeros(STATES)
    trial = x.copy()
    for place in (SINK, FAULT, LN_EFFECT):
        if cov[place, place] <= 0.0:
            continue
        step = math.sqrt(cov[place, place])
        for sign in (1.0, -1.0):
            trial[place] = x[place] + sign * step
            there_c = comes_back_c(params, hypothesis, duty, trial, share, line_c)
            slope[place] += sign * there_c / (2.0 * step)
        trial[place] = x[place]
    return slope


@compiled
def learn_back(
    params: CircuitParams,
    hypothesis: int,
    duty: NDArray[np.float64],
    flow: float,
    line_c: float,
    before_c: float,
    read_c: float,
    more_var: float,
    learns: bool,
    x: NDArray[np.float64],
    cov: NDArray[np.float64],
    share: float,
) -> float:
    """Learn from the line back.

    Parameters
    ----------
    params, hypothesis, duty, share
        As for ``comes_back_c``.
    flow
        By ``flows_back`` [-].
    line_c, before_c, read_c
        Line to the cooler, the same a window ago, line back [°C].
    more_var
        Variance to add to that of the reading's error [K²].
    learns, x, cov
        As for ``models.hypothesis_filter.update``.

    Returns
    -------
    float
        What the reading says for the hypothesis [-], as ``models.hypothesis_filter.update_by`` has it.
    """
    told_c = comes_back_c(params, hypothesis, duty, x, share, line_c)
    lag_k = min(1.0, BACK_LAG_S / (flow * duty[SPAN_S])) * (line_c - before_c)
    laws_k = priors.BACK_SHARE * (line_c - told_c)
    noise_var = priors.BACK_SD_K**2 + lag_k * lag_k + laws_k * laws_k + more_var
    slope = _slope(params, hypothesis, duty, x, cov, share, line_c)
    return update_by(hypothesis, slope, read_c - told_c, noise_var, learns, x, cov)
