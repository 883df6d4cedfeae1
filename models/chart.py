"""A fluid's life chart: hours of life at some temperatures, straight in ln(life) over 1/T between them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from models.units import GAS_CONSTANT, ZERO_CELSIUS_K

Chart = Sequence[tuple[float, float]]
"""Points (temperature [°C], life [s]), at least two, by rising temperature and falling life."""


def life_s(chart: Chart, celsius: float) -> float:
    """Life [s] at a temperature [°C]; beyond its ends the chart goes on as steeply as it ended."""
    row = 1
    while row < len(chart) - 1 and celsius > chart[row][0]:
        row += 1
    (cold_c, long_s), (hot_c, short_s) = chart[row - 1], chart[row]
    share = (_inverse(celsius) - _inverse(cold_c)) / (_inverse(hot_c) - _inverse(cold_c))
    return float(long_s * (short_s / long_s) ** share)


def energy_j_mol(chart: Chart) -> float:
    """Activation energy [J/mol] of the straight line that fits all points best, each weighed alike."""
    inverses = [_inverse(celsius) for celsius, _ in chart]
    logs = [math.log(seconds) for _, seconds in chart]
    middle = sum(inverses) / len(chart)
    over = sum((inverse - middle) * log for inverse, log in zip(inverses, logs, strict=True))
    return over / sum((inverse - middle) ** 2 for inverse in inverses) * GAS_CONSTANT


def local_energy_j_mol(chart: Chart, row: int) -> float:
    """Activation energy [J/mol] between a point of the chart and the point before it."""
    return energy_j_mol(chart[row - 1 : row + 1])


def _inverse(celsius: float) -> float:
    return 1.0 / (celsius + ZERO_CELSIUS_K)
