r"""After a cold night fluid, coolant and outside air agree: a free check of the fluid's sensor.

What a night shows is :math:`d = b + c + e`: the bias sought, an error common to the other sensors that no
number of nights averages out, and the night's own. All three normal, the posterior of the bias is normal.
"""

from __future__ import annotations

import math

from models.compiled import compiled
from models.layout import Layout

PRIOR_SD_K = 2.0
"""How far a fluid sensor may be off, one standard deviation [K]. Own choice; doubled, the account's interval
is that much wider until nights are seen, and of the first night's reading 83 % counts and not 55 %."""

NIGHT_SD_K = 1.5
"""What one night is off by itself: heat that is left, sun, wind [K]. Own choice; doubled, it takes four
times as many nights."""

COMMON_SD_K = 1.0
"""What the other sensors are off together in all nights [K]. Own choice; doubled, the bias stays open to
1.4 K and not 0.9 K."""

AGREE_K = 3.0
"""Coolant and air that differ by more than this have not settled [K]: an engine heater, a warm hall. Own
choice; doubled, more nights count and some that mislead."""

ALONE_WEIGHT = 0.5
"""What a night counts with coolant or air alone [-]: nothing says that it had settled. Own choice."""

FAULT_K = 15.0
"""A sensor that is off by more than this is broken, not biased [K]: the night is counted apart. Own
choice; doubled, a sensor at its default value may bend the interval."""

LEAST_PARKED_S = 8.0 * 3600.0
"""How long a truck must have been parked [s]: a night. Own choice."""

SETTLED_K = 1.0
"""Excess that may be left by the truck's own time constant [K]. Own choice."""


class Offset(Layout):
    """State: what the fluid's sensor showed above the others after cold nights [K]; sums are weighted."""

    nights: int
    weight: float  # 1 for a night with coolant and air, less with one of them
    sum_k: float
    faulty: int  # nights on which it was off by so much that it must be broken
    seen: int  # nights on which the fluid and another of them were read, and what they read then [°C]
    fluid_c: float
    coolant_c: float
    air_c: float
    fluid_late_s: float  # at most so long the engine ran before it was read; the coolant
    coolant_late_s: float


@compiled
def check_night(
    offset: Offset,
    fluid_c: float,
    coolant_c: float,
    air_c: float,
    fluid_late_s: float = 0.0,
    coolant_late_s: float = 0.0,
) -> bool:
    """Count the readings after a night [°C], NaN where one is not there; say whether they told.

    ``fluid_late_s``, ``coolant_late_s``: how long the engine may have run before they were read [s].
    """
    if not math.isnan(fluid_c) and not (math.isnan(coolant_c) and math.isnan(air_c)):
        offset.seen += 1
        offset.fluid_c = fluid_c
        offset.coolant_c = coolant_c
        offset.air_c = air_c
        offset.fluid_late_s = fluid_late_s
        offset.coolant_late_s = coolant_late_s
    weight, other_c = ALONE_WEIGHT, air_c
    if math.isnan(air_c):
        other_c = coolant_c
    elif not math.isnan(coolant_c):
        if abs(coolant_c - air_c) > AGREE_K:
            return False
        weight, other_c = 1.0, 0.5 * (coolant_c + air_c)
    off_k = fluid_c - other_c
    if math.isnan(off_k):
        return False
    if abs(off_k) > FAULT_K:
        offset.faulty += 1
        return True
    offset.nights += 1
    offset.weight += weight
    offset.sum_k += weight * off_k
    return True


@compiled
def offset_posterior(offset: Offset) -> tuple[float, float]:
    """Mean and standard deviation [K] of how much too high the fluid's sensor reads."""
    if offset.weight <= 0.0:
        return 0.0, PRIOR_SD_K
    prior = PRIOR_SD_K * PRIOR_SD_K
    shown = COMMON_SD_K * COMMON_SD_K + NIGHT_SD_K * NIGHT_SD_K / offset.weight
    mean = offset.sum_k / offset.weight
    return mean * prior / (prior + shown), math.sqrt(prior * shown / (prior + shown))
