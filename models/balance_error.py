"""How far the balance of heat may be off while the last stretches are read: not everywhere alike.

By what the truck's own values leave of sound tuning trucks, three minutes at a time (see DEVELOPERS.md): it
grows with the heat that the converter makes, whose speeds are hardly known, and in cold fluid, which flows as
the models do not have it; it is larger where the sensor does not sit in the sump.
"""

from __future__ import annotations

import math

from models.circuit import COOLER_LINE, SUMP, TANK_AND_AIR, CircuitParams, regulates
from models.compiled import compiled

WITHOUT_VALVE = 0.85
"""Error of a circuit in which no valve regulates, beside the one stated for all [-]. Found on the tuning
trucks: readings leave 0.6, but what lasts for hours is larger."""

TWO_SINKS = 1.5
"""The same of a radiator's tank with an air cooler after it [-]; own choice: it is not known how much either
carries off, nor how cold the tank is. Without it such trucks are a twentieth of the fleet and make a third of
the false alarms of ``cooler_starved``."""

BEYOND_CONVERTER, IN_LINE = 1.5, 2.2
"""The same for a sensor beyond the converter and in the cooler's line, beside one in the sump [-]."""

PER_KW = 0.45
"""What each kilowatt from the converter adds, in quadrature, as a share of the error without [1/kW]."""

UNTOLD = 2.5
"""How many times as much it adds where load, clutch or speed is not told [-]."""

WARM_C, COLD_K, COLDEST = 50.0, 20.0, 3.0
"""Fluid from which cold plays no part [°C]; below, so much is added in quadrature for each [K], and at most
[-]."""


@compiled
def error_times(params: CircuitParams, doubted_kw: float, fluid_c: float) -> float:
    """Give the error of a reading beside the one stated for the truck's class [-].

    Parameters
    ----------
    params
        The circuit.
    doubted_kw
        Heat from the converter, ``UNTOLD`` times as much where it had to be guessed [kW].
    fluid_c
        The fluid [°C].
    """
    base = 1.0 if regulates(params) else WITHOUT_VALVE
    if params.kind == TANK_AND_AIR:
        base *= TWO_SINKS
    if params.site == COOLER_LINE:
        base *= IN_LINE
    elif params.site != SUMP:
        base *= BEYOND_CONVERTER
    by_heat = PER_KW * doubted_kw
    by_cold = min(COLDEST, max(0.0, (WARM_C - fluid_c) / COLD_K))
    return base * math.sqrt(1.0 + by_heat * by_heat + by_cold * by_cold)
