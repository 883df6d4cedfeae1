"""Torque converter: capacity factor, torque ratio, and the heat of its slip.

``K = N/√T`` is the capacity factor of the SAE J643 test code (from memory), N in 1/min, T in
N·m. The curves are those of an ordinary three-element converter, scaled by the factor at stall.
"""

from __future__ import annotations

from bisect import bisect_left
from itertools import pairwise
from math import sqrt

TORQUE_RATIO_STALL = 1.9
"""Torque ratio at stall [-]; common practice, no source."""

COUPLING_SPEED_RATIO = 0.88
"""Speed ratio at which the torque ratio reaches one [-]; common practice, no source."""

#: (speed ratio, capacity factor over its value at stall); common practice, no source.
CAPACITY = (
    (0.0, 1.0),
    (0.2, 1.0),
    (0.4, 1.02),
    (0.6, 1.07),
    (0.7, 1.12),
    (0.8, 1.22),
    (0.88, 1.40),
    (0.92, 1.70),
    (0.95, 2.15),
    (0.98, 3.6),
    (0.995, 8.0),
)
HIGHEST_SPEED_RATIO = 0.995
POINTS = 400


def torque_ratio(speed_ratio: float) -> float:
    """Turbine torque over pump torque [-]."""
    if speed_ratio >= COUPLING_SPEED_RATIO:
        return 1.0
    return TORQUE_RATIO_STALL + (1.0 - TORQUE_RATIO_STALL) * speed_ratio / COUPLING_SPEED_RATIO


def capacity_shape(speed_ratio: float) -> float:
    """Capacity factor over its value at stall [-], linear between the points."""
    ratio = min(max(speed_ratio, 0.0), HIGHEST_SPEED_RATIO)
    for (low, value_low), (high, value_high) in pairwise(CAPACITY):
        if ratio <= high:
            return value_low + (value_high - value_low) * (ratio - low) / (high - low)
    return CAPACITY[-1][1]


_SPEED_RATIOS = tuple(HIGHEST_SPEED_RATIO * i / POINTS for i in range(POINTS + 1))
#: Turbine speed over the root of turbine torque, per unit of capacity factor: rises with the
#: ratio.
_REACH = tuple(r * capacity_shape(r) / sqrt(torque_ratio(r)) for r in _SPEED_RATIOS)
_SHAPES = tuple(capacity_shape(r) for r in _SPEED_RATIOS)


def speed_ratio_at(turbine_rpm: float, turbine_nm: float, capacity_factor: float) -> float:
    """Speed ratio at which the converter passes ``turbine_nm`` at ``turbine_rpm``."""
    if turbine_nm <= 0.0:
        return HIGHEST_SPEED_RATIO
    reach = turbine_rpm / (capacity_factor * sqrt(turbine_nm))
    index = bisect_left(_REACH, reach)
    if index <= 0:
        return 0.0
    if index > POINTS:
        return HIGHEST_SPEED_RATIO
    low, high = _REACH[index - 1], _REACH[index]
    share = (reach - low) / (high - low)
    return (index - 1 + share) * HIGHEST_SPEED_RATIO / POINTS


def pump_torque_nm(engine_rpm: float, speed_ratio: float, capacity_factor: float) -> float:
    """Torque the engine feels [N·m] at a given speed and speed ratio."""
    index = int(min(max(speed_ratio, 0.0), HIGHEST_SPEED_RATIO) / HIGHEST_SPEED_RATIO * POINTS)
    root = engine_rpm / (capacity_factor * _SHAPES[index])
    return root * root


def slip_heat_w(engine_nm: float, engine_rad_s: float, speed_ratio: float) -> float:
    """Power turned into heat [W]: ``T·ω·(1 − SR·TR)``."""
    return engine_nm * engine_rad_s * (1.0 - speed_ratio * torque_ratio(speed_ratio))
