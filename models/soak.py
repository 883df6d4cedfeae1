r"""Ageing after key-off: hot fluid goes on ageing with nobody looking. An estimate, shown as one.

A parked truck's fluid falls to the outside air's temperature,

.. math:: T(t) = T_a + (T_0 - T_a)\,e^{-t/\tau}

and the rate of ageing is added up over that. The first reading after key-on checks the estimate and,
where it is far enough from both ends, gives the truck's own time constant.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from models.ageing import AgeingParams, rate
from models.compiled import compiled
from models.histogram import BINS, Bins, settle, spread
from models.layout import Layout

ASSUMED_AIR_C = 20.0
"""Outside air where nobody measured it [°C]. Own choice; at 0 °C a night's soak from 95 °C costs 30 %
less."""

PRIOR_WEIGHT = 4.0
"""Cool-downs that the class's time constant is worth [-]. Own choice; doubled, a truck's own counts for
half after eight nights and not four."""

LEAST_START_K = 15.0
LEAST_END_K = 3.0
"""Above outside air by so much a cool-down must begin and end to tell its pace [K]: below, a sensor's
bias decides. Own choice; doubled, from 60 K a cool-down tells for two time constants and not for three."""

LEAST_FALL = 0.2
"""Fall of ln(excess) from which a cool-down tells its pace [-]: a fifth of a time constant. Own choice."""

WIDEST = 2.5
"""A time constant that is off the class's by more than this factor is no truck's [-]. Own choice; doubled,
a run before the first reading after a night passes for slow cooling."""

REHEATED_K = 10.0
"""Hotter than expected by this [K] and too hot for any truck's time constant, fluid was heated meanwhile.
Own choice; doubled, a short run before the first reading passes for slow cooling."""

_STEP_K = 2.0
_FLAT_K = 0.001


class SoakParams(Layout):
    """Prior of the truck's class."""

    time_constant_s: float  # how fast a parked truck's fluid cools [s]


class Soak(Layout):
    """State: estimated ageing while parked; how good the estimates were is the truck's, not the fill's."""

    equivalent_s: float  # belongs to the fluid that is in the gearbox: a pan drop thins it
    bins_s: Bins
    parked_s: float  # parked without a reading of the fluid, since the fill went in [s]
    still_s: float  # engine off for so long just now [s]
    paces: int  # cool-downs that the truck's own time constant rests on
    pace_ln_sum: float  # of their time constants [ln s]
    checks: int  # first readings after key-on that could tell how good the estimate was
    check_sum_k: float  # of expected minus read [K]
    check_squares_k2: float


KEPT = ("still_s", "paces", "pace_ln_sum", "checks", "check_sum_k", "check_squares_k2")
"""Fields of ``Soak`` that tell of the truck and outlast a fill."""


@compiled
def time_constant_s(params: SoakParams, soak: Soak) -> float:
    """How fast this truck's fluid cools [s]: its own cool-downs, drawn to its class's."""
    known = PRIOR_WEIGHT * math.log(params.time_constant_s) + soak.pace_ln_sum
    return math.exp(known / (PRIOR_WEIGHT + soak.paces))


@compiled
def cooled_c(start_c: float, air_c: float, tau_s: float, span_s: float) -> float:
    """Temperature [°C] after a span [s] of cooling at a time constant ``tau_s`` [s]."""
    return air_c + (start_c - air_c) * math.exp(-span_s / tau_s)


@compiled
def decay(
    ageing: AgeingParams,
    bins_s: NDArray[np.float64],
    start_c: float,
    air_c: float,
    tau_s: float,
    span_s: float,
) -> float:
    r"""Add up the rate over a cool-down, in pieces of 2 K at most.

    .. math:: \int_0^{t} r\left(T_a + (T_0-T_a) e^{-s/\tau}\right) ds

    by Simpson's rule in :math:`\ln(T-T_a)` over each piece.

    Parameters
    ----------
    ageing
        The fluid's law.
    bins_s
        Histogram that the time at temperature is added to, shape (BINS,) [s].
    start_c, air_c
        Temperature of the fluid at first, and what it falls (or rises) to [°C].
    tau_s, span_s
        Time constant and length of the cool-down [s].

    Returns
    -------
    float
        Seconds at the reference temperature that would have aged the fluid as much [s].
    """
    sign = 1.0 if start_c >= air_c else -1.0
    excess = abs(start_c - air_c)
    end = excess * math.exp(-span_s / tau_s)
    total, left_s = 0.0, span_s
    here = rate(ageing, start_c)
    while excess > _FLAT_K and excess > end:
        lower = max(end, excess - _STEP_K, 0.5 * excess)
        piece_s = min(left_s, tau_s * math.log(excess / lower))
        middle = rate(ageing, air_c + sign * math.sqrt(excess * lower))
        there = rate(ageing, air_c + sign * lower)
        total += piece_s * (here + 4.0 * middle + there) / 6.0
        _note(bins_s, air_c + sign * excess, air_c + sign * lower, piece_s)
        left_s -= piece_s
        excess, here = lower, there
    if left_s > 0.0:
        last_c = air_c + sign * end
        total += left_s * rate(ageing, last_c)
        _note(bins_s, last_c, last_c, left_s)
    return total


@compiled
def _note(bins_s: NDArray[np.float64], from_c: float, to_c: float, span_s: float) -> None:
    """Keep the time of a piece: a whole one evenly over its bins, the rest as near as bins can tell."""
    if abs(from_c - to_c) < 0.99 * _STEP_K:
        settle(bins_s, 0.5 * (from_c + to_c), span_s)
    else:
        spread(bins_s, from_c, to_c, span_s)


@compiled
def decay_equivalent_s(
    ageing: AgeingParams, start_c: float, air_c: float, tau_s: float, span_s: float
) -> float:
    """Give what ``decay`` gives, without a histogram."""
    return decay(ageing, np.zeros(BINS), start_c, air_c, tau_s, span_s)


@compiled
def ambient_c(air_c: float, end_c: float) -> float:
    """Give what the fluid falls to [°C]: the last known air, NaN if none, or colder if it was read so."""
    air = ASSUMED_AIR_C if math.isnan(air_c) else air_c
    if math.isnan(end_c):
        return air
    return min(air, end_c)


@compiled
def cool_down(
    params: SoakParams,
    ageing: AgeingParams,
    soak: Soak,
    start_c: float,
    end_c: float,
    air_c: float,
    span_s: float,
    measured: bool,
) -> float:
    """Charge the ageing of a truck that was parked, and learn from how it cooled.

    Parameters
    ----------
    params, ageing
        Of the truck and its fluid.
    soak
        Changed in place.
    start_c, end_c
        The fluid at key-off, and at the first reading after, NaN if there is none [°C].
    air_c
        Outside air, the last that is known, NaN if none is [°C].
    span_s
        How long it was parked [s].
    measured
        ``start_c`` was read and is not an estimate itself.

    Returns
    -------
    float
        What the fluid was expected to be at the end [°C].
    """
    air = ambient_c(air_c, end_c)
    tau_s = time_constant_s(params, soak)
    expected_c = cooled_c(start_c, air, tau_s, span_s)
    if start_c - air > LEAST_START_K and end_c - air > LEAST_END_K:
        fall = math.log((start_c - air) / (end_c - air))
        own_s = span_s / max(fall, 1e-3)
        if own_s <= WIDEST * params.time_constant_s or end_c <= expected_c + REHEATED_K:
            # The reading is a point of the decay, not of what came after it.
            tau_s = own_s
            if measured and fall > LEAST_FALL and not math.isnan(air_c):
                _learn(params, soak, own_s, expected_c - end_c)
    soak.equivalent_s += decay(ageing, soak.bins_s, start_c, air, tau_s, span_s)
    return expected_c


@compiled
def _learn(params: SoakParams, soak: Soak, own_s: float, off_k: float) -> None:
    soak.checks += 1
    soak.check_sum_k += off_k
    soak.check_squares_k2 += off_k * off_k
    if abs(math.log(own_s / params.time_constant_s)) <= math.log(WIDEST):
        soak.paces += 1
        soak.pace_ln_sum += math.log(own_s)
