"""Time at temperature in bins of 2 K: what a life can be costed from again.

A bin alone would not do: a truck whose valve holds its fluid at one temperature, or a sensor of whole
degrees, fills a bin at one side only, and costing all of it at the middle is then off by up to 7 %. So the
measured heat keeps in each bin the mean and the spread of the temperatures too (``tally``); what is
estimated sweeps evenly over the bins (``spread``) or has settled (``settle``), and needs the seconds alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from models.ageing import AgeingParams, ln_rate
from models.compiled import compiled
from models.units import ZERO_CELSIUS_K

BINS = 120
"""Number of bins [-]."""

WIDTH_K = 2.0
"""Width of a bin [K]."""

FIRST_C = -40.0
"""Lower edge of the first bin [°C]; what is colder or hotter than all bins lies in the end bins."""

Bins = Annotated[NDArray[np.float64], BINS]
"""A number for each bin: seconds [s], or seconds times a temperature or its square [K·s, K²·s]."""

_GAUSS = math.sqrt(3.0) / 6.0


@compiled
def row_of(celsius: float) -> int:
    """Give the bin of a temperature [°C]."""
    return int(min(max(math.floor((celsius - FIRST_C) / WIDTH_K), 0.0), BINS - 1.0))


@compiled
def _time_between(low_c: float, high_c: float) -> float:
    """How far 1/T runs [1/K] between two temperatures, without cancellation."""
    return (high_c - low_c) / ((low_c + ZERO_CELSIUS_K) * (high_c + ZERO_CELSIUS_K))


@compiled
def _part(row: int, low_c: float, high_c: float) -> tuple[float, float]:
    """Give the part of a path [°C, °C] that lies in a bin; the end bins are open."""
    edge_c = FIRST_C + WIDTH_K * row
    part_low_c = low_c if row == 0 else max(low_c, edge_c)
    part_high_c = high_c if row == BINS - 1 else min(high_c, edge_c + WIDTH_K)
    # A temperature a rounding below an edge may be given the bin above it.
    return min(part_low_c, part_high_c), part_high_c


@compiled
def spread(bins: Bins, from_c: float, to_c: float, span_s: float) -> None:
    """Add a span [s] to the bins that it crosses while 1/T runs straight.

    Parameters
    ----------
    bins
        Seconds in each bin [s], changed in place.
    from_c, to_c
        Temperatures at both ends [°C]; their order does not matter.
    span_s
        Length of the span [s].
    """
    low_c, high_c = min(from_c, to_c), max(from_c, to_c)
    first, last = row_of(low_c), row_of(high_c)
    if first == last:
        bins[first] += span_s
        return
    pace = span_s / _time_between(low_c, high_c)
    for row in range(first, last + 1):
        part_low_c, part_high_c = _part(row, low_c, high_c)
        bins[row] += pace * _time_between(part_low_c, part_high_c)


@compiled
def settle(bins: Bins, celsius: float, span_s: float) -> None:
    """Add a span [s] at one temperature [°C] to the two bins whose middles lie about it.

    In parts that make it their mean: of a bin alone the middle would be taken for it, which at
    one side of the bin is off by up to a sixth of the rate.
    """
    place = (celsius - FIRST_C) / WIDTH_K - 0.5
    row = int(min(max(math.floor(place), 0.0), BINS - 2.0))
    share = min(max(place - row, 0.0), 1.0)
    bins[row] += span_s * (1.0 - share)
    bins[row + 1] += span_s * share


@compiled
def tally(
    bins_s: Bins, offsets_ks: Bins, squares_k2s: Bins, from_c: float, to_c: float, span_s: float
) -> None:
    """Add a span [s] to the bins, with where in each bin it lay.

    Parameters
    ----------
    bins_s
        Seconds in each bin [s], changed in place as by ``spread``.
    offsets_ks, squares_k2s
        In each bin the integral over time of how far the temperature lay above the bin's middle,
        and of the square of that [K·s, K²·s]; changed in place.
    from_c, to_c
        Temperatures at both ends [°C]; their order does not matter.
    span_s
        Length of the span [s].
    """
    low_c, high_c = min(from_c, to_c), max(from_c, to_c)
    first, last = row_of(low_c), row_of(high_c)
    pace = 0.0 if first == last else span_s / _time_between(low_c, high_c)
    for row in range(first, last + 1):
        part_low_c, part_high_c = _part(row, low_c, high_c)
        seconds = span_s
        if first != last:
            seconds = pace * _time_between(part_low_c, part_high_c)
        square = (part_high_c - part_low_c) ** 2 / 12.0
        middle_c = 0.5 * (part_low_c + part_high_c)
        # The cold side of the part takes a little longer than the hot one.
        mean_c = middle_c - 2.0 * square / (middle_c + ZERO_CELSIUS_K)
        offset = mean_c - (FIRST_C + WIDTH_K * (row + 0.5))
        bins_s[row] += seconds
        offsets_ks[row] += seconds * offset
        squares_k2s[row] += seconds * (square + offset * offset)


@compiled
def recost_s(bins: Bins, ageing: AgeingParams, shift_k: float, exponent: float) -> float:
    """Equivalent seconds of what was spread, under any law.

    Parameters
    ----------
    bins
        Seconds in each bin [s], taken to lie evenly over it.
    ageing
        The law, that of the account or another.
    shift_k
        How much hotter than noted the fluid is taken to have been [K].
    exponent
        Power to which the rate is raised [-]: 1.1 is an activation energy a tenth higher.

    Returns
    -------
    float
        Seconds at the reference temperature [s].
    """
    total_s = 0.0
    for row in range(BINS):
        if bins[row] > 0.0:
            middle_c = FIRST_C + WIDTH_K * (row + 0.5) + shift_k
            total_s += bins[row] * _pair(ageing, middle_c, _GAUSS * WIDTH_K, exponent)
    return total_s


@compiled
def recost_tally_s(
    bins_s: Bins,
    offsets_ks: Bins,
    squares_k2s: Bins,
    ageing: AgeingParams,
    shift_k: float,
    exponent: float,
) -> float:
    """Equivalent seconds of what was tallied, under any law.

    Parameters
    ----------
    bins_s, offsets_ks, squares_k2s
        As ``tally`` keeps them [s, K·s, K²·s].
    ageing
        The law, that of the account or another.
    shift_k
        How much hotter than noted the fluid is taken to have been [K].
    exponent
        Power to which the rate is raised [-].

    Returns
    -------
    float
        Seconds at the reference temperature [s].
    """
    total_s = 0.0
    for row in range(BINS):
        if bins_s[row] > 0.0:
            offset = offsets_ks[row] / bins_s[row]
            variance = max(0.0, squares_k2s[row] / bins_s[row] - offset * offset)
            mean_c = FIRST_C + WIDTH_K * (row + 0.5) + offset + shift_k
            total_s += bins_s[row] * _pair(ageing, mean_c, math.sqrt(variance), exponent)
    return total_s


@compiled
def _pair(ageing: AgeingParams, mean_c: float, sd_k: float, exponent: float) -> float:
    """Mean rate [-] of temperatures with a mean and a standard deviation, by two of them."""
    cold = math.exp(exponent * ln_rate(ageing, mean_c - sd_k))
    hot = math.exp(exponent * ln_rate(ageing, mean_c + sd_k))
    return 0.5 * (cold + hot)


def time_above_h(bins: Sequence[float], celsius: float) -> float:
    """Hours [h] that were spent above a temperature [°C].

    ``bins``: seconds in each bin [s]; of the bin that the temperature lies in, the part above it.
    """
    total_s = 0.0
    for row, seconds in enumerate(bins):
        above_k = FIRST_C + WIDTH_K * (row + 1) - celsius
        total_s += float(seconds) * min(max(above_k / WIDTH_K, 0.0), 1.0)
    return total_s / 3600.0
