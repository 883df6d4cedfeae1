"""The sum over a record: its order on smooth profiles, thinned records, and years of samples."""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from fractions import Fraction
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad

from models.ageing import AgeingParams, mean_rate, relative_rate
from models.compiled import compiled
from models.fleet import CHART
from models.heat_sums import KINETIC_ENERGY_OVER_R_K, KINETIC_REFERENCE_C, Heat, charge_span
from models.layout import blank, dtype_of, record
from models.sums import add
from models.units import GAS_CONSTANT
from tests.models.drives import TRUCKS, Floats, drive, drive_samples, samples_of, thinned
from tests.models.fills import account_of

REFERENCE_C = CHART.reference_temp_c
ENERGY_J_MOL = CHART.activation_energy_j_mol


def own_law() -> Any:
    made = record(blank(dtype_of(AgeingParams)))
    made.activation_energy_j_mol = ENERGY_J_MOL
    made.reference_c = REFERENCE_C
    return made


def fresh(start_c: float) -> Any:
    heat = record(blank(dtype_of(Heat)))
    heat.fluid_c = start_c
    return heat


@compiled
def charge_all(ageing: AgeingParams, heat: Heat, celsius: Floats, step_s: float) -> None:
    """Charge readings that follow each other by ``step_s``; the first is where the last call ended."""
    for row in range(1, len(celsius)):
        charge_span(ageing, heat, celsius[row], step_s)
        heat.fluid_c = celsius[row]


Profile = Callable[[float], float]
PROFILES: dict[str, tuple[Profile, float]] = {
    "climb and fall": (
        lambda at: 85.0 + 45.0 * math.exp(-(((at - 1800.0) / 600.0) ** 2)),
        3600.0,
    ),
    "swinging valve": (lambda at: 89.0 + 6.0 * math.sin(2.0 * math.pi * at / 420.0), 3600.0),
    "warming up": (lambda at: 92.0 - 90.0 * math.exp(-at / 700.0), 5400.0),
    "cooling down": (lambda at: 20.0 + 85.0 * math.exp(-at / 3000.0), 10_800.0),
}
each_profile = pytest.mark.parametrize("name", PROFILES)


def exact_s(name: str, energy_j_mol: float, reference_c: float) -> float:
    profile, length_s = PROFILES[name]
    pieces = np.linspace(0.0, length_s, 65)
    return math.fsum(
        quad(
            lambda at: relative_rate(profile(at), reference_c, energy_j_mol),
            begin,
            end,
            epsrel=1e-13,
            epsabs=0.0,
        )[0]
        for begin, end in pairwise(pieces)
    )


def charged(name: str, count: int) -> Any:
    profile, length_s = PROFILES[name]
    celsius = np.array([profile(at) for at in np.linspace(0.0, length_s, count + 1)])
    heat = fresh(float(celsius[0]))
    charge_all(own_law(), heat, celsius, length_s / count)
    return heat


def error(name: str, count: int) -> float:
    heat = charged(name, count)
    exact = exact_s(name, ENERGY_J_MOL, REFERENCE_C)
    return float((heat.equivalent_s + heat.equivalent_rest) / exact) - 1.0


@each_profile
def test_the_error_on_a_smooth_profile_falls_with_the_square_of_the_step(name: str) -> None:
    coarse, middle, fine = (error(name, count) for count in (1000, 2000, 4000))
    assert coarse / middle == pytest.approx(4.0, rel=0.02)
    assert middle / fine == pytest.approx(4.0, rel=0.02)


@each_profile
def test_dense_samples_of_a_smooth_profile_agree_with_quadrature(name: str) -> None:
    # Samples of 18 to 54 ms: what is left is the profile's curvature, not the sum's rounding.
    heat = charged(name, 200_000)
    exact = exact_s(name, ENERGY_J_MOL, REFERENCE_C)
    assert heat.equivalent_s + heat.equivalent_rest == pytest.approx(exact, rel=1e-9)
    kinetic = exact_s(name, KINETIC_ENERGY_OVER_R_K * GAS_CONSTANT, KINETIC_REFERENCE_C)
    assert heat.kinetic_s + heat.kinetic_rest == pytest.approx(kinetic, rel=1e-9)


@each_profile
def test_a_sample_a_second_is_good_to_parts_in_a_million(name: str) -> None:
    assert abs(error(name, round(PROFILES[name][1]))) < 3e-6


@each_profile
def test_where_more_samples_lie_on_the_path_between_two_nothing_changes(name: str) -> None:
    # Splitting each span at points of the supposed path (1/T straight) adds nothing.
    profile, length_s = PROFILES[name]
    inverse = np.array([1.0 / (profile(at) + 273.15) for at in np.linspace(0.0, length_s, 200)])
    split = np.interp(np.arange(199 * 7 + 1) / 7.0, np.arange(200), inverse)
    whole, pieces = fresh(profile(0.0)), fresh(profile(0.0))
    charge_all(own_law(), whole, 1.0 / inverse - 273.15, 7.0)
    charge_all(own_law(), pieces, 1.0 / split - 273.15, 1.0)
    assert pieces.equivalent_s == pytest.approx(whole.equivalent_s, rel=1e-11)
    assert pieces.bins_s == pytest.approx(whole.bins_s, rel=1e-9, abs=1e-7)


@pytest.mark.parametrize("first", [0, 11, 23])
@pytest.mark.parametrize("truck", TRUCKS)
def test_an_account_of_a_thinned_drive_is_the_same(truck: str, first: int) -> None:
    samples = drive_samples(truck)[first:]
    whole, sparse = account_of(samples), account_of(samples[::30])
    # Where the truck stops, no reading is left of the last seconds: they count as cooling, from there on.
    share = 0.005 if whole.parked_hours == 0.0 else 0.02
    assert sparse.life_used == pytest.approx(whole.life_used, rel=share)
    assert sparse.parked_hours == pytest.approx(whole.parked_hours, abs=60.0 / 3600.0)
    assert sparse.unseen_hours == whole.unseen_hours == 0.0


@pytest.mark.parametrize(
    ("whole_degrees", "share"), [(False, 0.005), (True, 0.01)], ids=["tenths", "whole degrees"]
)
@pytest.mark.parametrize("first", [0, 11, 23])
@pytest.mark.parametrize("truck", TRUCKS)
def test_a_drive_thinned_to_30_seconds_costs_the_same(
    truck: str, first: int, whole_degrees: bool, share: float
) -> None:
    # Up to the first stop. With whole degrees it is the few readings' rounding that differs: of the
    # twenty that a short hot climb leaves, each is off by half a degree, 3 % of the rate.
    seconds, celsius = drive(truck, whole_degrees=whole_degrees)
    gaps = np.flatnonzero(np.diff(seconds) > 300.0)
    end = int(gaps[0]) + 1 if len(gaps) else len(seconds)
    seconds, celsius = seconds[first:end], celsius[first:end]
    whole = account_of(samples_of(seconds, celsius))
    sparse = account_of(samples_of(*thinned(seconds, celsius, 30)))
    assert sparse.seen_hours == whole.seen_hours
    assert sparse.equivalent_hours == pytest.approx(whole.equivalent_hours, rel=share)


DAY_S = 86_400
DAYS = 3653
"""Ten years [d]: 315,619,200 samples a second apart."""


def day_of_readings() -> Floats:
    """Give a day at a sample a second, back at the end where it began [°C]: cold night, hot climbs, noise."""
    at = np.arange(DAY_S) / DAY_S
    rng = np.random.default_rng(31)
    celsius = 70.0 - 75.0 * np.cos(2.0 * np.pi * at) + 25.0 * np.sin(18.0 * np.pi * at)
    celsius = np.round(celsius + rng.normal(0.0, 0.3, DAY_S), 2)
    return np.append(celsius, celsius[0])


def costs_of(celsius: Floats) -> Floats:
    ageing = own_law()
    return np.array([mean_rate(ageing, float(a), float(b)) for a, b in pairwise(celsius)])


@compiled
def add_all(terms: Floats, times: int) -> tuple[float, float, float]:
    """Add terms over and over, compensated (sum and rest) and plainly."""
    total, rest, plain = 0.0, 0.0, 0.0
    for _ in range(times):
        for term in terms:
            total, rest = add(total, rest, term)
            plain += term
    return total, rest, plain


def off(found: Fraction, exact: Fraction) -> float:
    return float(abs(found - exact) / exact)


def test_the_sum_of_ten_years_of_seconds_does_not_drift() -> None:
    costs = costs_of(day_of_readings())
    exact = DAYS * sum(map(Fraction, costs.tolist()), Fraction(0))
    total, rest, plain = add_all(costs, DAYS)
    assert off(Fraction(total) + Fraction(rest), exact) < 1e-15
    assert off(Fraction(plain), exact) > 1e-12  # what a plain sum would have lost


@pytest.mark.torture
def test_years_of_seconds_charged_one_by_one() -> None:
    # The whole step, histogram included: a month at least, ten years with HEATBOOK_TORTURE=full.
    days = DAYS if os.environ.get("HEATBOOK_TORTURE") == "full" else 30
    celsius = day_of_readings()
    ageing, heat = own_law(), fresh(float(celsius[0]))
    for _ in range(days):
        charge_all(ageing, heat, celsius, 1.0)
    exact = days * sum(map(Fraction, costs_of(celsius).tolist()), Fraction(0))
    found = Fraction(float(heat.equivalent_s)) + Fraction(float(heat.equivalent_rest))
    assert off(found, exact) < 1e-15
    assert heat.seen_s + heat.seen_rest == days * DAY_S
    assert heat.bins_s.sum() == pytest.approx(days * DAY_S, rel=1e-9)
