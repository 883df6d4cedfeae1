"""The built-in fluid against the trade's fluid-life chart.

The chart is a rule of the trade: public enthusiast pages carry it, no primary source is known, and printings
differ (212 or 215 °F in the third row, 6,000 or 6,250 mi in the fifth). Used here: 212 °F and 6,250 mi.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pytest

from models.ageing import relative_rate
from models.fleet import CHART, CHART_DISTANCE_MI, CHART_MEAN_SPEED_MPH
from models.units import GAS_CONSTANT, ZERO_CELSIUS_K
from tests.models.fills import FOREVER_S, account_of, profile, steps
from tests.printed import agrees


class Row(NamedTuple):
    fahrenheit: float
    chart_mi: float
    fit_mi: str  # Arrhenius law fitted to the rows up to 295 °F, worked out
    ours_pct: float  # how far the built-in fluid lies from the chart


ROWS = [
    Row(175, 100_000, "107904", 0.0),
    Row(195, 50_000, "48364", -10.4),
    Row(212, 25_000, "25387", -5.9),
    Row(235, 12_000, "11161", -13.8),
    Row(255, 6_250, "5702", -15.5),
    Row(275, 3_000, "3022", -6.7),
    Row(295, 1_500, "1656", 2.3),
]
STEEPER = [(315, 750), (335, 325), (355, 160), (375, 80), (390, 40)]
"""Rows above 150 °C: the chart falls faster there than any one activation energy."""


def celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32.0) / 1.8


def ours_mi(fahrenheit: float) -> float:
    """Life of the built-in fluid [mi] at a temperature, at the stated mean speed."""
    rate = relative_rate(
        celsius(fahrenheit), CHART.reference_temp_c, CHART.activation_energy_j_mol
    )
    return CHART.reference_life_s / 3600.0 / rate * CHART_MEAN_SPEED_MPH


def fitted() -> tuple[float, float]:
    """Fit ln(life) = a + b/T to the rows by least squares; give a and the energy [kJ/mol]."""
    inverse = np.array([1.0 / (celsius(row.fahrenheit) + ZERO_CELSIUS_K) for row in ROWS])
    slope, offset = np.polyfit(inverse, np.log([row.chart_mi for row in ROWS]), 1)
    return float(offset), float(slope) * GAS_CONSTANT / 1000.0


def test_the_energy_is_the_fit_to_the_rows_up_to_295() -> None:
    offset, energy = fitted()
    assert agrees(energy, "77.01")
    assert agrees(offset, "-14.6790")
    assert agrees(CHART.activation_energy_j_mol / 1000.0, "77.01")


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.fahrenheit:g}F")
def test_the_fit_gives_the_worked_lives(row: Row) -> None:
    kelvin = celsius(row.fahrenheit) + ZERO_CELSIUS_K
    life = math.exp(-14.6790 + 9261.9 / kelvin)
    assert life == pytest.approx(float(row.fit_mi), rel=4e-4)


def test_the_built_in_fluid_meets_the_chart_at_its_first_row() -> None:
    assert ours_mi(175.0) == pytest.approx(CHART_DISTANCE_MI, rel=1e-12)
    assert agrees(CHART.reference_life_s / 3600.0, "3333")  # h, at 30 mi/h


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.fahrenheit:g}F")
def test_how_far_the_built_in_fluid_lies_from_the_chart(row: Row) -> None:
    # It runs through the first row and not through the middle: shorter lives, the safe side.
    off_pct = 100.0 * (ours_mi(row.fahrenheit) / row.chart_mi - 1.0)
    assert off_pct == pytest.approx(row.ours_pct, abs=0.05)


@pytest.mark.parametrize(("fahrenheit", "chart_mi"), STEEPER)
def test_beyond_the_fit_the_chart_is_steeper(fahrenheit: float, chart_mi: float) -> None:
    assert ours_mi(fahrenheit) > 1.1 * chart_mi


def test_life_is_used_up_after_the_charts_distance() -> None:
    hours = CHART_DISTANCE_MI / CHART_MEAN_SPEED_MPH
    account = account_of(steps([(hours, celsius(175.0))]), max_gap_s=FOREVER_S)
    assert account.life_used == pytest.approx(1.0, rel=1e-9)


def test_an_hour_of_climbing_with_the_valve_stuck_costs_forty_healthy_ones() -> None:
    # Worked out: 6 kW from 60 °C for an hour (95 kJ/K, case 30 W/K, air 30 °C), equivalent hours at
    # 79.44 °C and 77 kJ/mol: 69.3 with the valve stuck, 1.74 in health.
    terms = {"activation_energy_j_mol": 77_000.0, "reference_c": 79.44}
    minutes = np.arange(0.0, 60.01, 0.5)
    stuck = 230.0 - 170.0 * np.exp(-minutes * 60.0 * 30.0 / 95e3)
    cooked = account_of(profile(list(minutes / 60.0), list(stuck)), **terms)
    assert cooked.equivalent_hours == pytest.approx(69.3, rel=0.005)
    marks = np.array([0.0, 5.0, 10.0, 15.0, 20.0, 30.0, 60.0]) / 60.0
    held = [60.0, 75.37, 86.58, 88.35, 88.51, 88.53, 88.53]
    healthy = account_of(profile(list(marks), held), max_gap_s=FOREVER_S, **terms)
    assert healthy.equivalent_hours == pytest.approx(1.74, rel=0.01)
