"""What is left of the cooler's conductance, over all that the circuit may be."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from models.circuit import LEAK
from models.compiled import compiled
from models.cooler import FLUID_SIDE
from models.hypotheses import AIR, COUNT, FLOW, LOW, SENSOR, SHUT


@compiled
def share_left(
    weights: NDArray[np.float64],
    numbers: NDArray[np.float64],
    variances: NDArray[np.float64],
) -> tuple[float, float]:
    """Give mean and standard deviation of what the cooler carries, as a share of the healthy one's [-].

    Parameters
    ----------
    weights
        How much each hypothesis counts [-], shape (``COUNT``,).
    numbers, variances
        What each says of its fault, and the variance of that, shape (``COUNT``,).
    """
    total = mean = square = 0.0
    for place in range(COUNT):
        if place == SENSOR:
            continue
        share, slope = _left(place, numbers[place])
        total += weights[place]
        mean += weights[place] * share
        square += weights[place] * (share * share + slope * slope * variances[place])
    mean, square = mean / total, square / total
    return mean, math.sqrt(max(0.0, square - mean * mean))


@compiled
def _left(hypothesis: int, fault: float) -> tuple[float, float]:
    """Share of its healthy conductance that a cooler has left, and how that goes with the fault's number."""
    if hypothesis == SHUT:
        return LEAK, 0.0
    part = math.exp(fault)
    if hypothesis == LOW:
        return part, part
    if hypothesis not in (AIR, FLOW):
        return 1.0, 0.0
    side = FLUID_SIDE if hypothesis == FLOW else 1.0 - FLUID_SIDE
    left = 1.0 / (1.0 - side + side / part)
    return left, left * left * side / part
