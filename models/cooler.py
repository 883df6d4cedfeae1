"""What cooler and case carry off for each kelvin: by flows of fluid and air, and the size of the core."""

from __future__ import annotations

import math

from models.compiled import compiled

FLUID_SIDE = 0.7
"""Share of the cooler's resistance at 60 km/h that is the fluid's [-]; common practice, no source."""

MOST_USED = 0.95
"""Most of what the usual flow could give that a fitted cooler is taken to take [-]; own choice."""

CASE_BY_SPEED = 0.5
"""Share of the case's conductance at 60 km/h that the air's speed makes [-]; common practice, no source."""

BY_TANK, AFTER_TANK = 0.7, 0.42
"""Conductances of a radiator's tank and of the air cooler after it, as shares of the class's cooler [-]: what
comes from the tank has less left to give. Own choice; with as much of each, a sound truck in the frost seems
to have a tank that is 10 K too warm."""

LEAST_FLOW = 0.1
"""Least of the pump's usual flow that is taken to come through the converter [-], however cold; own
choice."""

CORE_FLOW = -0.7
"""Power of the flow that a core's number of transfer units goes with [-]: -1 by the flow's heat capacity, and
back by the film's falling conductance; common practice, no source."""


@compiled
def case_at(case_w_k: float, speed_km_h: float) -> float:
    """Conductance of the case at a speed [W/K]."""
    return case_w_k * (1.0 - CASE_BY_SPEED + CASE_BY_SPEED * min(1.5, speed_km_h / 60.0))


@compiled
def ram(speed_km_h: float) -> float:
    """Air through the cooler, as a share of that at 60 km/h [-]: a fan's at standstill."""
    share: float = min(1.4, speed_km_h / 60.0) ** 0.8
    return 0.2 + 0.8 * share


@compiled
def pumped(rpm: float, fluid_c: float) -> float:
    """Flow of the pump, as a share of that at 1,700 rpm and warm [-]: cold fluid flows less."""
    if rpm < 1.0:
        return 0.0
    return min(1.1, 0.44 + rpm / 3000.0) / (1.0 + 0.9 * math.exp(-fluid_c / 18.0))


@compiled
def conductance_w_k(cooler_w_k: float, fluid_share: float, sink_share: float) -> float:
    """Two resistances in a row, each with its share of the usual flow [W/K]."""
    if fluid_share <= 1e-6 or sink_share <= 1e-6:
        return 0.0
    return cooler_w_k / (FLUID_SIDE / fluid_share + (1.0 - FLUID_SIDE) / sink_share)


@compiled
def grown(core_ln: float, used: float, fluid_share: float) -> float:
    """How many times the heat a cooler carries with another core, at the same flows and temperatures [-].

    Fluid that leaves near the sink's temperature has little more to give: the less flows, the less a bigger
    core adds.

    Parameters
    ----------
    core_ln
        ln of the size of the core relative to that fitted [-].
    used
        Share of what the fluid could give that the fitted cooler takes from the usual flow [-].
    fluid_share
        Flow of the fluid as a share of the usual [-].

    Source
    ------
    Effectiveness ``1 - exp(-N)`` of a sink that hardly warms (check: ``ht``); ``N`` goes with the core, and
    with the flow as ``CORE_FLOW`` says.
    """
    if core_ln == 0.0 or fluid_share <= 1e-6:
        return 1.0
    units = -math.log(1.0 - min(MOST_USED, used)) * fluid_share**CORE_FLOW
    return (1.0 - math.exp(-units * math.exp(core_ln))) / (1.0 - math.exp(-units))
