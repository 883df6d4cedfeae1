"""Published rules and laws of oil oxidation against the fluid's law, and the chart against a modern fluid."""

from __future__ import annotations

import math

import pytest

from models.ageing import relative_rate
from models.chart import life_s
from models.fleet import CHART, CHART_MEAN_SPEED_MPH, TRADE_CHART
from models.units import GAS_CONSTANT, ZERO_CELSIUS_K
from tests.models.fills import FOREVER_S, account_of, profile
from tests.printed import agrees

# Life of oils by oxidation, log10 L [h] = k1 + 4750/T: Booser, in Khonsari & Booser, Applied Tribology,
# chapter 2 (from memory; two look-ups did not confirm it).
SLOPE_K = 4750.0
UNINHIBITED, EP_GEAR, HYDRAULIC, TURBINE, HYDROCRACKED = -10.64, -10.31, -8.76, -8.45, -8.05

ENERGY_J_MOL = SLOPE_K * math.log(10.0) * GAS_CONSTANT


def life_h(k1: float, celsius: float) -> float:
    return float(10.0 ** (k1 + SLOPE_K / (celsius + ZERO_CELSIUS_K)))


def test_the_slope_of_the_law_is_an_activation_energy() -> None:
    assert agrees(ENERGY_J_MOL / 1000.0, "90.94")
    # Near the chart's all-row fit, above its fit to the rows where trucks live; within two standard
    # deviations of the latter.
    away = ENERGY_J_MOL - CHART.activation_energy_j_mol
    assert 0.0 < away < 2.0 * CHART.activation_energy_sd_j_mol


@pytest.mark.parametrize(
    ("k1", "printed"),
    [
        (UNINHIBITED, "123"),
        (HYDRAULIC, "9321"),
        (TURBINE, "19031"),
        (HYDROCRACKED, "47804"),
    ],
)
def test_lives_at_100_degrees_by_the_account(k1: float, printed: str) -> None:
    # Worked out from the law; the account, given the life at 80 °C, must run out at the printed one.
    assert agrees(life_h(k1, 100.0), printed)
    hours = life_h(k1, 100.0)
    account = account_of(
        profile([0.0, hours], [100.0, 100.0]),
        max_gap_s=FOREVER_S,
        activation_energy_j_mol=ENERGY_J_MOL,
        reference_c=80.0,
        reference_life_s=life_h(k1, 80.0) * 3600.0,
    )
    assert account.life_used == pytest.approx(1.0, rel=1e-8)


def test_formulation_moves_life_by_hundreds_and_the_energy_not_at_all() -> None:
    # Why a laboratory sample corrects the scale and not the energy.
    ratio = life_h(HYDROCRACKED, 100.0) / life_h(UNINHIBITED, 100.0)
    assert 350.0 < ratio < 400.0
    for k1 in (UNINHIBITED, EP_GEAR, HYDRAULIC, TURBINE, HYDROCRACKED):
        fall = life_h(k1, 80.0) / life_h(k1, 120.0)
        assert fall == pytest.approx(relative_rate(120.0, 80.0, ENERGY_J_MOL), rel=1e-12)


@pytest.mark.parametrize(("celsius", "printed"), [(80, "66.7"), (100, "74.4"), (120, "82.4")])
def test_energy_of_doubling_per_twenty_fahrenheit(celsius: float, printed: str) -> None:
    # "Oxidation rate doubles with each 20 °F": the text with the trade's chart; energies worked out.
    low, high = celsius + ZERO_CELSIUS_K, celsius + 20.0 / 1.8 + ZERO_CELSIUS_K
    energy = GAS_CONSTANT * math.log(2.0) / (1.0 / low - 1.0 / high)
    assert agrees(energy / 1000.0, printed)
    assert relative_rate(celsius + 20.0 / 1.8, celsius, energy) == pytest.approx(2.0, rel=1e-12)


def test_papers_slope_is_not_to_be_borrowed_for_oil() -> None:
    # IEEE C57.91: 15000 K, worked out as an energy; outside two standard deviations of a fluid's.
    energy = 15_000.0 * GAS_CONSTANT
    assert agrees(energy / 1000.0, "124.72")
    assert energy > CHART.activation_energy_j_mol + 2.0 * CHART.activation_energy_sd_j_mol


def test_a_modern_fluid_outlives_the_chart_many_times() -> None:
    # A licensed oxidation test for transmission fluids runs 450 h at 163 °C with air blown in: a public
    # page of a test laboratory. The chart at 325 °F, half-way between two rows: 494 mi, 16.5 h.
    miles = math.sqrt(750.0 * 325.0)
    assert agrees(miles, "494")
    hours = miles / CHART_MEAN_SPEED_MPH
    assert agrees(hours, "16.5")
    assert agrees(450.0 / hours, "27")
    ours_h = life_s(TRADE_CHART, (325.0 - 32.0) / 1.8) / 3600.0
    assert ours_h == pytest.approx(hours, rel=0.01)  # straight over 1/T, not over °F
    assert math.log(450.0 / hours) > 3.0 * math.log(CHART.life_spread)  # no part of the spread
