"""Measured heat: what the readings of the fluid have cost it."""

from __future__ import annotations

from models.ageing import AgeingParams, mean_of_exponential, mean_rate
from models.compiled import compiled
from models.histogram import Bins, recost_tally_s, tally
from models.layout import Layout
from models.sums import add
from models.units import ZERO_CELSIUS_K

KINETIC_ENERGY_OVER_R_K = 10000.0
"""Delta-H/R of the pharmacopoeial mean kinetic temperature [K]: 83.144 kJ/mol over R (from memory)."""

KINETIC_REFERENCE_C = 80.0
"""Temperature to which the running mean is related [°C]; it cancels out of the result."""


class Heat(Layout):
    """State: running sums; each ``_rest`` carries the rounding of its sum.

    ``equivalent_s`` and the histogram belong to the fluid that is in the gearbox: a pan drop
    thins them. The others count since the fill went in.
    """

    equivalent_s: float  # seconds at the reference temperature that would have aged as much
    equivalent_rest: float
    kinetic_s: float  # the same for the mean kinetic temperature
    kinetic_rest: float
    seen_s: float
    seen_rest: float
    fluid_ms: int
    fluid_c: float
    hottest_c: float
    bins_s: Bins  # the histogram, as models.histogram.tally keeps it
    offsets_ks: Bins
    squares_k2s: Bins


@compiled
def charge_span(ageing: AgeingParams, heat: Heat, fluid_c: float, span_s: float) -> None:
    """Charge a span [s] that ends at ``fluid_c`` [°C]; 1/T runs straight over it."""
    cost_s = mean_rate(ageing, heat.fluid_c, fluid_c) * span_s
    kinetic_s = mean_of_exponential(_kinetic(heat.fluid_c), _kinetic(fluid_c)) * span_s
    heat.equivalent_s, heat.equivalent_rest = add(
        heat.equivalent_s, heat.equivalent_rest, cost_s
    )
    heat.kinetic_s, heat.kinetic_rest = add(heat.kinetic_s, heat.kinetic_rest, kinetic_s)
    heat.seen_s, heat.seen_rest = add(heat.seen_s, heat.seen_rest, span_s)
    tally(heat.bins_s, heat.offsets_ks, heat.squares_k2s, heat.fluid_c, fluid_c, span_s)


@compiled
def _kinetic(fluid_c: float) -> float:
    """Logarithm of the rate [-] that the mean kinetic temperature goes by."""
    inverse = 1.0 / (KINETIC_REFERENCE_C + ZERO_CELSIUS_K) - 1.0 / (fluid_c + ZERO_CELSIUS_K)
    return KINETIC_ENERGY_OVER_R_K * inverse


@compiled
def recost_heat_s(heat: Heat, ageing: AgeingParams, shift_k: float, exponent: float) -> float:
    """Equivalent seconds [s] of the measured heat under any law, see ``recost_tally_s``."""
    return recost_tally_s(
        heat.bins_s, heat.offsets_ks, heat.squares_k2s, ageing, shift_k, exponent
    )
