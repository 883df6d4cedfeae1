"""Properties of the transmission fluid over temperature."""

from __future__ import annotations

import math

RELATIVE_DENSITY = 0.86
"""Density at 15 °C over water [-]; typical of mineral fluids, from memory."""

VISCOSITY_40_MM2_S = 30.0
"""Kinematic viscosity at 40 °C [mm²/s]; typical of a modern fluid, from memory."""

VISCOSITY_100_MM2_S = 6.0
"""Kinematic viscosity at 100 °C [mm²/s]; typical of a modern fluid, from memory."""

TABLE_LOW_C = -60
TABLE_HIGH_C = 260


def specific_heat_j_kgk(temp_c: float) -> float:
    """Specific heat of a petroleum liquid [J/kgK], Cragoe's formula (from memory)."""
    return 1000.0 * (1.685 + 0.0034 * temp_c) / math.sqrt(RELATIVE_DENSITY)


def density_kg_m3(temp_c: float) -> float:
    """Density [kg/m³], linear expansion of 6.8e-4 per kelvin (from memory)."""
    return 1000.0 * RELATIVE_DENSITY * (1.0 - 6.8e-4 * (temp_c - 15.0))


def viscosity_mm2_s(temp_c: float) -> float:
    """Kinematic viscosity [mm²/s] on the Walther line through the two given points.

    ``log10 log10(ν + 0.7) = a − b·log10 T``, the form of ASTM D341 (from memory).
    """
    exponent = _INTERCEPT - _SLOPE * math.log10(temp_c + 273.15)
    return float(10.0 ** (10.0**exponent) - 0.7)


def _walther(viscosity: float) -> float:
    return math.log10(math.log10(viscosity + 0.7))


_SLOPE = (_walther(VISCOSITY_40_MM2_S) - _walther(VISCOSITY_100_MM2_S)) / (
    math.log10(373.15) - math.log10(313.15)
)
_INTERCEPT = _walther(VISCOSITY_40_MM2_S) + _SLOPE * math.log10(313.15)

_ROOTS = tuple(
    math.sqrt(viscosity_mm2_s(float(temp_c))) for temp_c in range(TABLE_LOW_C, TABLE_HIGH_C + 1)
)


def root_viscosity(temp_c: float) -> float:
    """Square root of the viscosity, from a table of one entry a degree: the loop asks often."""
    index = int(temp_c) - TABLE_LOW_C
    return _ROOTS[min(max(index, 0), len(_ROOTS) - 1)]
