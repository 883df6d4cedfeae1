"""The line back from the cooler: how hot the fluid comes back under each hypothesis.

Between its two lines a cooler shows its effectiveness by itself, whatever heat the gearbox makes:

    (line - back) / (line - sink) = effectiveness

Starved of air it falls, and the fluid comes back hot. Starved of fluid, which stays longer in the core, it
rises, and the fluid comes back colder than usual. This law goes by transfer units and not by
``models.cooler.conductance_w_k``, which is fitted to what the sump shows of all flows.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from models.circuit import (
    BYPASS,
    COOLANT,
    COOLANT_VALVE,
    FAULT,
    FLUID,
    LN_UNITS,
    RPM,
    SINK_RISE_K,
    SPEED_KM_H,
    CircuitParams,
    sinks_c,
    through,
)
from models.compiled import compiled
from models.cooler import CORE_FLOW, FLUID_SIDE, MOST_USED, pumped, ram
from models.hypotheses import AIR, FLOW, LOW

LEAST_SHARE = 1e-3
"""Least share of the usual flow that is reckoned with [-]."""


@compiled
def comes_back_c(
    params: CircuitParams,
    hypothesis: int,
    duty: NDArray[np.float64],
    x: NDArray[np.float64],
    share: float,
    to_c: float,
) -> float:
    """Temperature of the fluid that comes back from the cooler under a hypothesis [°C].

    Parameters
    ----------
    params, hypothesis
        The circuit, and what it is taken to be. A cause that is not known (``LOW``) is taken to leave all as
        it is, but past a bypass valve, which is most of all one that is stuck part-way.
    duty
        Means over the window, shape (``DUTY``,).
    x
        State, shape (``STATES``,).
    share
        How far the valve is open [-].
    to_c
        Line to the cooler [°C].
    """
    passes = 1.0
    if hypothesis == FLOW:
        passes = math.exp(x[FAULT])
    elif hypothesis == LOW and params.kind == BYPASS:
        left = min(1.0, math.exp(x[FAULT]))
        passes = FLUID_SIDE / (
            1.0 / left - (1.0 - FLUID_SIDE)
        )  # leaves so much of the conductance
    flow = passes * flow_share(params, duty, x, share)
    sink_share = 1.0
    if params.kind < COOLANT:
        sink_share = ram(duty[SPEED_KM_H]) * (math.exp(x[FAULT]) if hypothesis == AIR else 1.0)
    elif params.kind == COOLANT_VALVE:
        sink_share = share
    used = min(MOST_USED, params.cooler_w_k / params.flow_w_k)
    taken = effectiveness(used, max(LEAST_SHARE, flow), sink_share, x[LN_UNITS])
    back: float = to_c - taken * (to_c - cooled_by_c(params, duty, x))
    return back


@compiled
def flow_share(
    params: CircuitParams, duty: NDArray[np.float64], x: NDArray[np.float64], share: float
) -> float:
    """Flow through a healthy cooler, its valve open by ``share``, as a share of the usual [-]."""
    flow: float = pumped(duty[RPM], x[FLUID])
    return flow * through(share) if params.kind == BYPASS else flow


@compiled
def cooled_by_c(
    params: CircuitParams, duty: NDArray[np.float64], x: NDArray[np.float64]
) -> float:
    """Temperature of what cools the cooler [°C]."""
    coolant_c, air_c = sinks_c(params, duty, x)
    return air_c + SINK_RISE_K if params.kind < COOLANT else coolant_c


@compiled
def effectiveness(used: float, flow: float, sink_share: float, ln_scale: float) -> float:
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
    ``1 - exp(-N)`` of a sink that hardly warms; ``N`` goes with the flow as ``CORE_FLOW`` says. More than the
    usual air adds to ``N``; less, which warms up, takes of the whole as two resistances in a row do
    (``models.cooler.conductance_w_k``): common practice, no source.
    """
    sink_side = (1.0 - FLUID_SIDE) * flow
    by_sink = (FLUID_SIDE + sink_side) / (FLUID_SIDE + sink_side / max(LEAST_SHARE, sink_share))
    units = -math.log(1.0 - used) * flow**CORE_FLOW * math.exp(ln_scale)
    return min(1.0, by_sink) * (1.0 - math.exp(-units * max(1.0, by_sink)))
