"""How fast fluid ages at a temperature, and what a span between two samples costs.

Between two samples the inverse of the absolute temperature is taken to run straight in time. Under
Arrhenius' law the logarithm of the rate then does so too, whatever the activation energy: the integral is
exact, and the histogram, spread along the same path, gives the same sum under any other law.
"""

from __future__ import annotations

import math
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from models.compiled import compiled
from models.layout import Layout
from models.units import GAS_CONSTANT, ZERO_CELSIUS_K

_R = GAS_CONSTANT
_ZERO_C = ZERO_CELSIUS_K

CHART_POINTS = 16
"""Most points that a fluid's life chart may have [-]."""

ChartRow = Annotated[NDArray[np.float64], CHART_POINTS]


class AgeingParams(Layout):
    """How fast a fluid ages at a temperature, relative to its reference temperature."""

    chart_points: (
        int  # 0: Arrhenius' law; else so many points of the chart, by rising temperature
    )
    activation_energy_j_mol: float
    reference_c: float
    chart_inverse_k: ChartRow  # 1/T [1/K]
    chart_ln_rate: ChartRow  # ln of the rate relative to the reference [-]


@compiled
def relative_rate(fluid_c: float, reference_c: float, activation_energy_j_mol: float) -> float:
    r"""Ageing rate at a temperature relative to the rate at the reference temperature.

    .. math:: r = \exp\left[\frac{E_a}{R}\left(\frac{1}{T_0}-\frac{1}{T}\right)\right]

    Parameters
    ----------
    fluid_c
        Fluid temperature [°C], -60 to 250.
    reference_c
        Temperature at which the rate is one [°C].
    activation_energy_j_mol
        Activation energy of the life-limiting reaction [J/mol].

    Returns
    -------
    float
        Relative rate [-], positive.

    Source
    ------
    Arrhenius' law in the form of the ageing acceleration factor of IEEE C57.91.
    """
    inverse = 1.0 / (reference_c + _ZERO_C) - 1.0 / (fluid_c + _ZERO_C)
    return math.exp(activation_energy_j_mol / _R * inverse)


@compiled
def rate(ageing: AgeingParams, fluid_c: float) -> float:
    """Ageing rate [-] of a fluid at ``fluid_c`` [°C], relative to its reference temperature."""
    return math.exp(ln_rate(ageing, fluid_c))


@compiled
def ln_rate(ageing: AgeingParams, fluid_c: float) -> float:
    """Logarithm of the ageing rate [-] of a fluid at ``fluid_c`` [°C].

    By Arrhenius' law, or read from the fluid's chart: straight over 1/T between two of its
    points, and beyond the ends as steep as between the last two.
    """
    inverse = 1.0 / (fluid_c + _ZERO_C)
    points = ageing.chart_points
    if points == 0:
        return (
            ageing.activation_energy_j_mol
            / _R
            * (1.0 / (ageing.reference_c + _ZERO_C) - inverse)
        )
    row = 1
    while row < points - 1 and inverse < ageing.chart_inverse_k[row]:
        row += 1
    first, last = ageing.chart_inverse_k[row - 1], ageing.chart_inverse_k[row]
    share = (inverse - first) / (last - first)
    below, above = ageing.chart_ln_rate[row - 1], ageing.chart_ln_rate[row]
    return float((1.0 - share) * below + share * above)


@compiled
def mean_rate(ageing: AgeingParams, from_c: float, to_c: float) -> float:
    r"""Mean ageing rate [-] of a span over which 1/T runs straight from one temperature to the other.

    Under Arrhenius' law the logarithm of the rate then runs straight in time and the logarithmic
    mean of both ends is exact; under a chart it does so from point to point of the chart.

    Parameters
    ----------
    ageing
        The fluid's law.
    from_c, to_c
        Temperatures at both ends [°C]; their order does not matter.

    Returns
    -------
    float
        Mean relative rate [-].
    """
    first, last = ln_rate(ageing, from_c), ln_rate(ageing, to_c)
    if ageing.chart_points < 3:
        return mean_of_exponential(first, last)
    low_c, high_c = min(from_c, to_c), max(from_c, to_c)
    start, end = 1.0 / (low_c + _ZERO_C), 1.0 / (high_c + _ZERO_C)
    if start == end:
        return math.exp(first)
    at, at_ln, spent = start, min(first, last), 0.0
    for row in range(1, ageing.chart_points - 1):
        bend = ageing.chart_inverse_k[row]
        if end < bend < at:
            bend_ln = ageing.chart_ln_rate[row]
            spent += mean_of_exponential(at_ln, bend_ln) * (at - bend)
            at, at_ln = bend, bend_ln
    spent += mean_of_exponential(at_ln, max(first, last)) * (at - end)
    return spent / (start - end)


@compiled
def mean_of_exponential(first: float, last: float) -> float:
    r"""Mean of :math:`e^x` while :math:`x` [-] runs straight from ``first`` to ``last``.

    .. math:: e^{(x_1+x_2)/2}\,\frac{\sinh u}{u}, \quad u = \tfrac12(x_2-x_1)

    Computed without cancellation when the two ends are close.
    """
    half = 0.5 * (last - first)
    if abs(half) < 1e-3:
        square = half * half
        shape = 1.0 + square / 6.0 * (1.0 + square / 20.0)
    else:
        shape = math.sinh(half) / half
    return math.exp(0.5 * (first + last)) * shape


@compiled
def logarithmic_mean(first: float, second: float) -> float:
    r"""Mean of a quantity whose logarithm runs straight from one value to the other.

    .. math:: \bar g = \frac{g_2-g_1}{\ln(g_2/g_1)}

    Exact for a rate that is exponential in time.

    Parameters
    ----------
    first, second
        The quantity at both ends [any unit], positive.

    Returns
    -------
    float
        Logarithmic mean [same unit].
    """
    return mean_of_exponential(math.log(first), math.log(second))


@compiled
def kinetic_mean_temperature(
    mean_rate: float, reference_c: float, energy_over_r: float
) -> float:
    r"""The constant temperature [°C] that would have aged as much, from the mean relative rate.

    .. math:: T = \left[\frac{1}{T_0} - \frac{R}{\Delta H}\ln\bar r\right]^{-1}

    Parameters
    ----------
    mean_rate
        Time-weighted mean of the relative rate [-], positive.
    reference_c
        Temperature at which the rate is one [°C].
    energy_over_r
        :math:`\Delta H/R` [K].

    Returns
    -------
    float
        Mean kinetic temperature [°C].

    Source
    ------
    Definition of the pharmacopoeias (USP <1079.2>, ICH), :math:`\Delta H` = 83.144 kJ/mol,
    which makes :math:`\Delta H/R` 10 000 K (from memory).
    """
    return 1.0 / (1.0 / (reference_c + _ZERO_C) - math.log(mean_rate) / energy_over_r) - _ZERO_C
