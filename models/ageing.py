"""How fast fluid ages at a temperature, and what a span between two samples costs."""

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
    return relative_rate(fluid_c, ageing.reference_c, ageing.activation_energy_j_mol)


@compiled
def logarithmic_mean(first: float, second: float) -> float:
    r"""Mean of a quantity whose logarithm runs straight from one value to the other.

    .. math:: \bar g = \frac{g_2-g_1}{\ln(g_2/g_1)}

    Exact for a rate that is exponential in time; computed without cancellation when the two
    ends are close (:math:`\bar g = \sqrt{g_1 g_2}\,\sinh(u)/u` with
    :math:`u=\tfrac12\ln(g_2/g_1)`).

    Parameters
    ----------
    first, second
        The quantity at both ends [any unit], positive.

    Returns
    -------
    float
        Logarithmic mean [same unit].
    """
    half = 0.5 * math.log(second / first)
    if abs(half) < 1e-3:
        square = half * half
        shape = 1.0 + square / 6.0 * (1.0 + square / 20.0)
    else:
        shape = math.sinh(half) / half
    return math.sqrt(first * second) * shape


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
