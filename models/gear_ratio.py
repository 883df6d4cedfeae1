"""Engine speed per road speed in one gear, learned from what keeps coming back.

Each gear holds a value and a rival. A reading near the value sharpens it; one that is not near feeds the
rival, and a rival that keeps coming takes the value's place. Slip can only make the engine faster than the
wheels, so a lower rival wins within half a minute, a higher one (another tyre) only after long, and only
while nothing speaks for the old value.
"""

from __future__ import annotations

import math
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from models.compiled import compiled
from models.layout import Layout

GEARS = 12
"""Forward gears that a truck may have."""

NEAR = 0.006
NEAR_KM_H = 0.4
"""How far a reading may lie from the value to speak for it [-], and the error of a road speed that comes on
top [km/h]. Own choice: a speed of whole km/h is off by half of one. With twice as much a slip of 40 rpm
would pass for the truck's own way."""

LONGEST_S = 10.0
"""Most that one reading counts [s], however rare the samples: neighbouring errors are one error."""

KEPT_S = 1200.0
"""Evidence that the value rests on at most [s]; what is older fades, so that tyre wear is followed. Own
choice: twice as much follows half as fast."""

LOWER_WINS_S = 25.0
HIGHER_WINS_S = 300.0
"""Evidence after which a lower, a higher rival takes the place of the value [s]; own choice."""

SLIP_WINS_S = 7200.0
"""The same for a higher one that could be slip, because the engine pulls or may pull [s]; own choice."""

RIVAL_HEARD_S = 150.0
"""Evidence from which a higher rival is reckoned with before it wins [s]. Own choice: with half of it a light
foot on a slipping clutch delays an alarm to an hour."""

PULL_LOWER_WINS_S = 120.0
PULL_KNOWN_S = 300.0
"""The same for a lower one while the engine pulls, and the evidence from which such a value is used [s]; own
choice: it has no floor, as a ratio in overrun has."""

KNOWN_S = 30.0
"""Evidence from which a ratio is used [s]; own choice: three readings of a slow gateway."""

COAST_LEAD = 1.02
COAST_LEAD_SD = 0.03
"""Turbine over engine speed when an open converter is driven by the wheels, and its spread [-]; common
practice, no source: up to 1.06, and a little below 1 at a light foot."""

GEAR_STEP = 1.5
GEAR_STEP_SD = 0.12
MOST_STEPS = 3
"""Ratio of one of the lower gears to the next, its spread as a share, and over how many gears that is trusted
[-]; common practice, no source: 1.3 to 1.7."""


class GearRatios(Layout):
    """State: engine speed per road speed [rpm per km/h] by gear, 0 where unknown; evidence [s]."""

    per_km_h: Annotated[NDArray[np.float64], 12]
    proof_s: Annotated[NDArray[np.float64], 12]
    rival: Annotated[NDArray[np.float64], 12]
    rival_s: Annotated[NDArray[np.float64], 12]


@compiled
def near(value: float, other: float, speed_km_h: float) -> bool:
    """Say whether two readings of a ratio at a road speed may be one."""
    return abs(value - other) <= other * (NEAR + NEAR_KM_H / speed_km_h)


@compiled
def take_reading(
    ratios: GearRatios,
    place: int,
    reading: float,
    speed_km_h: float,
    dt_s: float,
    lower_s: float,
    higher_s: float,
) -> bool:
    """Take one reading in; say whether it speaks for the value.

    Parameters
    ----------
    ratios
        Changed in place.
    place
        Gear, counted from 0.
    reading
        Engine speed per road speed [rpm per km/h].
    speed_km_h
        Road speed [km/h].
    dt_s
        Time that the reading stands for [s].
    lower_s, higher_s
        Evidence after which a lower, a higher rival takes the place of the value [s].
    """
    counts_s = min(dt_s, LONGEST_S)
    value = ratios.per_km_h[place]
    if value == 0.0:
        _begin(ratios, place, reading, counts_s)
        return False
    if near(reading, value, speed_km_h):
        proof_s = ratios.proof_s[place] + counts_s
        ratios.per_km_h[place] += (reading - value) * counts_s / proof_s
        ratios.proof_s[place] = min(KEPT_S, proof_s)
        if ratios.rival[place] > value:
            ratios.rival_s[place] = 0.0
        return True
    _oppose(ratios, place, reading, speed_km_h, counts_s)
    lower = ratios.rival[place] < value
    if ratios.rival_s[place] >= (lower_s if lower else higher_s):
        _begin(ratios, place, ratios.rival[place], ratios.rival_s[place])
    return False


@compiled
def highest(ratios: GearRatios, place: int) -> float:
    """Give the value of a gear, or a higher rival that has been seen for a while: as other tyres would do."""
    value: float = ratios.per_km_h[place]
    rival: float = ratios.rival[place]
    return max(value, rival) if ratios.rival_s[place] >= RIVAL_HEARD_S else value


@compiled
def _begin(ratios: GearRatios, place: int, value: float, proof_s: float) -> None:
    ratios.per_km_h[place] = value
    ratios.proof_s[place] = min(KEPT_S, proof_s)
    ratios.rival[place] = 0.0
    ratios.rival_s[place] = 0.0


@compiled
def _oppose(
    ratios: GearRatios, place: int, reading: float, speed_km_h: float, counts_s: float
) -> None:
    """Feed the rival. A higher reading may be slip, and says little against a rival below the value."""
    value, rival, rival_s = ratios.per_km_h[place], ratios.rival[place], ratios.rival_s[place]
    if rival_s > 0.0 and near(reading, rival, speed_km_h):
        ratios.rival_s[place] = rival_s + counts_s
        ratios.rival[place] += (reading - rival) * counts_s / (rival_s + counts_s)
        return
    slips = rival_s > 0.0 and rival < value < reading
    rival_s = max(0.0, rival_s - (0.1 if slips else 1.0) * counts_s)
    if rival_s == 0.0 or reading < value < rival:
        ratios.rival[place], rival_s = reading, counts_s
    ratios.rival_s[place] = rival_s


@compiled
def ratio_sd(proof_s: float) -> float:
    """How unsure a value is, as a share of itself [-], by its evidence [s]."""
    return 0.002 + 0.02 / (1.0 + proof_s / 10.0)


@compiled
def turbine_ratio(locked: GearRatios, coasting: GearRatios, place: int) -> tuple[float, float]:
    """Turbine speed per road speed [rpm per km/h] in a gear, and its spread as a share [-].

    Learned with the clutch closed, or coasting; else by the usual step from the next gear that is known,
    NaN if none is. ``place`` is the gear, counted from 0.
    """
    if locked.proof_s[place] >= KNOWN_S:
        return locked.per_km_h[place], ratio_sd(locked.proof_s[place])
    if coasting.proof_s[place] >= KNOWN_S:
        spread = COAST_LEAD_SD + ratio_sd(coasting.proof_s[place])
        return COAST_LEAD * coasting.per_km_h[place], spread
    for steps in range(1, MOST_STEPS + 1):
        above = place + steps
        if above < GEARS and locked.proof_s[above] >= KNOWN_S:
            return locked.per_km_h[above] * GEAR_STEP**steps, GEAR_STEP_SD * math.sqrt(steps)
    return math.nan, math.nan
