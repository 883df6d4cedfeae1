"""Measured heat: what the readings of the fluid have cost it."""

from __future__ import annotations

from models.ageing import AgeingParams, logarithmic_mean, rate, relative_rate
from models.compiled import compiled
from models.histogram import Bins
from models.layout import Layout
from models.sums import add
from models.units import GAS_CONSTANT

KINETIC_ENERGY_OVER_R_K = 10000.0
"""Delta-H/R of the pharmacopoeial mean kinetic temperature [K]: 83.144 kJ/mol over R (from memory)."""

KINETIC_REFERENCE_C = 80.0
"""Temperature to which the running mean is related [°C]; it cancels out of the result."""


class Heat(Layout):
    """State: running sums; each ``_rest`` carries the rounding of its sum.

    ``equivalent_s`` and ``bins_s`` belong to the fluid that is in the gearbox: a pan drop thins
    them. The others count since the fill went in.
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
    bins_s: Bins


@compiled
def charge_span(ageing: AgeingParams, heat: Heat, fluid_c: float, span_s: float) -> None:
    """Charge a span [s] that ends at ``fluid_c`` [°C]; the rate runs log-linearly over it."""
    mean = logarithmic_mean(rate(ageing, heat.fluid_c), rate(ageing, fluid_c))
    kinetic = KINETIC_ENERGY_OVER_R_K * GAS_CONSTANT
    kinetic_mean = logarithmic_mean(
        relative_rate(heat.fluid_c, KINETIC_REFERENCE_C, kinetic),
        relative_rate(fluid_c, KINETIC_REFERENCE_C, kinetic),
    )
    heat.equivalent_s, heat.equivalent_rest = add(
        heat.equivalent_s, heat.equivalent_rest, mean * span_s
    )
    heat.kinetic_s, heat.kinetic_rest = add(
        heat.kinetic_s, heat.kinetic_rest, kinetic_mean * span_s
    )
    heat.seen_s, heat.seen_rest = add(heat.seen_s, heat.seen_rest, span_s)
