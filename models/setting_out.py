"""Where a filter of the bank sets out from: as the class has it, after a gap, with a new fault."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from models import priors
from models.circuit import (
    EXTRA,
    FAULT,
    FLUID,
    LN_CASE,
    METAL,
    SINK,
    SITE,
    STATES,
    SUMP,
    TANK,
    CircuitParams,
)
from models.compiled import compiled
from models.cooler import case_at
from models.rows import clear_cross


@compiled
def spread_of(params: CircuitParams, place: int) -> float:
    """How far a place in the state may be from what is taken before it shows, one standard deviation."""
    if place == SINK and params.kind >= TANK:
        return priors.TANK_SINK_SD_K
    return float(priors.SD[place])


@compiled
def begin(
    params: CircuitParams,
    hypothesis: int,
    fluid_c: float,
    x: NDArray[np.float64],
    cov: NDArray[np.float64],
) -> None:
    """Begin as the class of the truck has it, at a fluid temperature [°C]."""
    for place in range(STATES):
        x[place] = 0.0
        clear_cross(cov, place)
        cov[place, place] = spread_of(params, place) ** 2
    draw_fault(hypothesis, x, cov)
    warm_up(params, fluid_c, math.inf, x, cov)


@compiled
def warm_up(
    params: CircuitParams,
    fluid_c: float,
    gap_s: float,
    x: NDArray[np.float64],
    cov: NDArray[np.float64],
) -> None:
    """Take the temperatures up anew after a gap [°C, s].

    The metal is near the fluid, nobody knows how near. Where the sump is not read, it has kept some of what
    it was hotter by: only the case has cooled it.
    """
    left_k = 0.0
    if params.site != SUMP:
        shed_w_k = math.exp(x[LN_CASE]) * case_at(params.case_w_k, 0.0)
        kept = math.exp(-shed_w_k * gap_s / (params.fluid_j_k + params.metal_j_k))
        left_k = kept * max(0.0, x[FLUID] - fluid_c)
    for place in (FLUID, METAL, EXTRA, SITE):
        clear_cross(cov, place)
        cov[place, place] = priors.SD[place] ** 2
    x[FLUID] = x[METAL] = fluid_c + left_k
    x[SITE] = fluid_c
    x[EXTRA] = 0.0
    if params.site != SUMP:
        off_k = priors.AFTER_GAP_SD_K + priors.COOLED_SHARE * left_k
        cov[FLUID, FLUID] = off_k * off_k
        cov[METAL, METAL] = off_k * off_k
    else:
        cov[SITE, SITE] = priors.LINE_AFTER_GAP_SD_K**2


@compiled
def draw_fault(hypothesis: int, x: NDArray[np.float64], cov: NDArray[np.float64]) -> None:
    """Set the fault's own number to its prior."""
    x[FAULT] = priors.FAULTS[hypothesis, priors.FAULT_MEAN]
    clear_cross(cov, FAULT)
    cov[FAULT, FAULT] = priors.FAULTS[hypothesis, priors.FAULT_SD] ** 2
