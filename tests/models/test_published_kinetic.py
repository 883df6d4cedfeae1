"""Mean kinetic temperature, and rules of thumb turned into activation energies."""

from __future__ import annotations

import math
from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.ageing import kinetic_mean_temperature, relative_rate
from models.heat_sums import KINETIC_ENERGY_OVER_R_K
from models.units import GAS_CONSTANT, ZERO_CELSIUS_K
from tests.models.fills import FOREVER_S, account_of, steps
from tests.printed import agrees

TOW_DAY = ((6.0, 80.0), (3.0, 100.0), (0.5, 125.0), (0.1, 150.0))


def kinetic(stretches: tuple[tuple[float, float], ...], energy_over_r: float) -> float:
    """Mean kinetic temperature [°C] of stretches of (hours, °C)."""
    hours = sum(span for span, _ in stretches)
    mean_rate = sum(
        span * relative_rate(celsius, 60.0, energy_over_r * GAS_CONSTANT)
        for span, celsius in stretches
    )
    return kinetic_mean_temperature(mean_rate / hours, 60.0, energy_over_r)


def equally(*celsius: float) -> tuple[tuple[float, float], ...]:
    return tuple((1.0, one) for one in celsius)


class Row(NamedTuple):
    stretches: tuple[tuple[float, float], ...]
    printed: str  # worked out from the definition of USP <1079.2> and ICH (from memory)


ROWS = [
    Row(equally(20, 30), "26.2599"),
    Row(equally(15, 25, 35), "28.1965"),
    Row(((22.0, 25.0), (2.0, 40.0)), "27.5714"),
    Row(equally(21.5, 22.0, 23.1, 24.0, 26.5, 30.2, 22.4), "24.7250"),
    Row(TOW_DAY, "99.675"),
]


def test_the_pharmacopoeial_convention_is_ten_thousand_kelvin() -> None:
    # 83.144 kJ/mol over R = 8.3144e-3 kJ/mol/K.
    assert pytest.approx(83.144 / 8.3144e-3, rel=1e-12) == KINETIC_ENERGY_OVER_R_K


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.printed)
def test_mean_kinetic_temperature_worked(row: Row) -> None:
    assert agrees(kinetic(row.stretches, KINETIC_ENERGY_OVER_R_K), row.printed)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.printed)
def test_the_account_states_the_same(row: Row) -> None:
    account = account_of(steps(row.stretches), max_gap_s=FOREVER_S)
    assert agrees(account.mean_kinetic_temp_c, row.printed)


@pytest.mark.parametrize(
    ("energy_j_mol", "printed"),
    [(77_000.0, "98.568"), (89_600.0, "100.872"), (100_000.0, "102.852")],
)
def test_a_steeper_law_gives_a_hotter_mean(energy_j_mol: float, printed: str) -> None:
    assert agrees(kinetic(TOW_DAY, energy_j_mol / GAS_CONSTANT), printed)


@pytest.mark.parametrize(
    ("energy_j_mol", "printed"),
    [(77_000.0, "35.576"), (83_144.0, "42.779"), (89_600.0, "52.700")],
)
def test_equivalent_hours_of_a_tow_day(energy_j_mol: float, printed: str) -> None:
    # Worked out: hours at 80 °C that age as much as 6 h at 80, 3 at 100, 0.5 at 125, 0.1 at 150 °C.
    account = account_of(
        steps(TOW_DAY),
        max_gap_s=FOREVER_S,
        activation_energy_j_mol=energy_j_mol,
        reference_c=80.0,
    )
    assert agrees(account.equivalent_hours, printed)


@pytest.mark.parametrize(
    ("celsius", "factor", "share"),
    [
        (80.0, "1", "0.169"),
        (100.0, "4.078", "0.344"),
        (125.0, "19.373", "0.272"),
        (150.0, "76.563", "0.215"),
    ],
)
def test_six_minutes_are_a_fifth_of_a_day(celsius: float, factor: str, share: str) -> None:
    rate = relative_rate(celsius, 80.0, 77_000.0)
    assert agrees(rate, factor)
    hours = {at: span for span, at in TOW_DAY}[celsius]
    assert agrees(rate * hours / 35.576, share)


@given(
    st.lists(st.tuples(st.floats(0.01, 30.0), st.floats(-20.0, 180.0)), min_size=1, max_size=8),
    st.floats(20.0, 150.0),
)
def test_equivalent_hours_are_the_hours_at_the_mean_kinetic_temperature(
    stretches: list[tuple[float, float]], reference_c: float
) -> None:
    # Two ways to one number: the running sum of the fluid's law, and hours x rate(mean).
    energy = KINETIC_ENERGY_OVER_R_K * GAS_CONSTANT
    account = account_of(
        steps(stretches),
        max_gap_s=FOREVER_S,
        activation_energy_j_mol=energy,
        reference_c=reference_c,
    )
    reference_k = reference_c + ZERO_CELSIUS_K
    mean_k = account.mean_kinetic_temp_c + ZERO_CELSIUS_K
    worked = account.seen_hours * math.exp(
        KINETIC_ENERGY_OVER_R_K * (1.0 / reference_k - 1.0 / mean_k)
    )
    assert account.equivalent_hours == pytest.approx(worked, rel=1e-11)


def energy_of_q10(q10: float, low_c: float, high_c: float) -> float:
    """Activation energy [J/mol] whose rate rises by q10 per 10 K between two temperatures."""
    low, high = low_c + ZERO_CELSIUS_K, high_c + ZERO_CELSIUS_K
    factor = q10 ** ((high_c - low_c) / 10.0)
    return GAS_CONSTANT * math.log(factor) / (1.0 / low - 1.0 / high)


class Storage(NamedTuple):
    q10: float
    accelerated_c: float
    real_c: float
    real_days: float
    factor: str
    days: str


@pytest.mark.parametrize(
    "row",
    [
        Storage(2.0, 55.0, 25.0, 730.0, "8.0000", "91.25"),  # public calculator page
        Storage(2.0, 55.0, 22.0, 365.0, "9.8492", "37.06"),  # worked out
        Storage(2.0, 60.0, 22.0, 365.0, "13.9288", "26.20"),  # worked out
        Storage(1.8, 55.0, 22.0, 365.0, "6.9566", "52.47"),  # worked out
    ],
    ids=lambda row: row.factor,
)
def test_accelerated_ageing_of_astm_f1980(row: Storage) -> None:
    energy = energy_of_q10(row.q10, row.real_c, row.accelerated_c)
    factor = relative_rate(row.accelerated_c, row.real_c, energy)
    assert agrees(factor, row.factor)
    assert agrees(row.real_days / factor, row.days)


@pytest.mark.parametrize(
    ("energy_j_mol", "printed"),
    [
        (77_000.0, ("2.06", "1.91", "1.79")),
        (83_144.0, ("2.18", "2.01", "1.88")),
        (100_000.0, ("2.55", "2.32", "2.14")),
    ],
)
def test_q10_of_an_activation_energy(energy_j_mol: float, printed: tuple[str, ...]) -> None:
    # Worked out, over T to T + 10 K at 80, 100 and 120 °C.
    for celsius, q10 in zip((80.0, 100.0, 120.0), printed, strict=True):
        assert agrees(relative_rate(celsius + 10.0, celsius, energy_j_mol), q10)


def test_doubling_per_ten_kelvin_is_right_at_one_place_only() -> None:
    # Worked out: at 77 kJ/mol the step from 87.4 to 97.4 °C doubles the rate.
    assert agrees(relative_rate(97.4, 87.4, 77_000.0), "2.000")


@pytest.mark.parametrize(
    ("celsius", "printed"),
    [
        (60, "65.9"),
        (80, "73.9"),
        (90, "78.1"),
        (100, "82.4"),
        (110, "86.8"),
        (120, "91.3"),
        (150, "105.6"),
    ],
)
def test_energy_of_doubling_per_ten_kelvin(celsius: float, printed: str) -> None:
    # "Doubles per 10 °C": a public primer on oxidation; the energies are worked out.
    energy = energy_of_q10(2.0, celsius, celsius + 10.0)
    assert agrees(energy / 1000.0, printed)
    assert relative_rate(celsius + 10.0, celsius, energy) == pytest.approx(2.0, rel=1e-12)


def test_averaging_temperature_undercounts() -> None:
    # Equal times 20 K above and below 95 °C, at 77 kJ/mol, age nearly twice as fast as the mean does:
    # the mean of the rates is cosh of half their log ratio times their geometric mean.
    up, down = (relative_rate(celsius, 95.0, 77_000.0) for celsius in (115.0, 75.0))
    half = 0.5 * math.log(up / down)
    assert 0.5 * (up + down) == pytest.approx(math.sqrt(up * down) * math.cosh(half), rel=1e-12)
    assert 0.5 * (up + down) > 1.9
