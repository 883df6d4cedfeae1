"""What a span between two samples costs: the logarithmic mean against exact integrals."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from transformer_thermal_model.aging import days_aged
from transformer_thermal_model.transformer.enums.paper_insulation_type import (
    PaperInsulationType,
)

from models.ageing import logarithmic_mean, relative_rate
from models.units import GAS_CONSTANT, ZERO_CELSIUS_K
from tests.models.fills import FOREVER_S, account_of, profile
from tests.printed import agrees

SLOPE_J_MOL = 15_000.0 * GAS_CONSTANT
STANDARD_ZERO_K = 0.15
"""The ramp is worked out with the standard's zero of 273 K, see the insulation tests."""

REFERENCE_C = 110.0 - STANDARD_ZERO_K
EXACT_H = "17.720809"
"""Equivalent hours of a straight ramp from 90 to 130 °C in 10 h, reference 110 °C, B = 15 000 K:
adaptive quadrature."""


def ramp(step_h: float) -> float:
    """Equivalent hours of the ramp, sampled every ``step_h``."""
    hours = np.linspace(0.0, 10.0, round(10.0 / step_h) + 1)
    celsius = 90.0 + 4.0 * hours - STANDARD_ZERO_K
    return account_of(
        profile(list(hours), list(celsius)),
        max_gap_s=FOREVER_S,
        activation_energy_j_mol=SLOPE_J_MOL,
        reference_c=REFERENCE_C,
    ).equivalent_hours


def test_the_exact_integral_is_the_printed_one() -> None:
    whole, _ = quad(
        lambda hour: relative_rate(90.0 + 4.0 * hour - 0.15, REFERENCE_C, SLOPE_J_MOL),
        0.0,
        10.0,
    )
    assert agrees(whole, EXACT_H)


class Rule(NamedTuple):
    """Errors on the ramp, worked out: of the logarithmic mean and of what we do not do."""

    step_h: float
    ours_pct: str
    left_pct: str
    trapezoid_pct: str
    middle_pct: str


@pytest.mark.parametrize(
    "rule",
    [
        Rule(1.0 / 60.0, "-0.00002", "-0.323", "0.0003", "-0.0002"),
        Rule(0.25, "-0.004", "-4.77", "0.074", "-0.037"),
        Rule(1.0, "-0.066", "-18.2", "1.19", "-0.59"),
        Rule(5.0, "-1.56", "-68.5", "28.4", "-13.7"),
    ],
    ids=lambda rule: f"{rule.step_h:.2f}h",
)
def test_the_error_of_each_rule_on_a_ramp_is_the_printed_one(rule: Rule) -> None:
    edges = np.linspace(90.0, 130.0, round(10.0 / rule.step_h) + 1) - STANDARD_ZERO_K
    rates = np.array([relative_rate(float(c), REFERENCE_C, SLOPE_J_MOL) for c in edges])
    middles = 0.5 * (edges[1:] + edges[:-1])
    at_middles = [relative_rate(float(c), REFERENCE_C, SLOPE_J_MOL) for c in middles]
    hours = {
        rule.ours_pct: ramp(rule.step_h),
        rule.left_pct: rates[:-1].sum() * rule.step_h,
        rule.trapezoid_pct: 0.5 * (rates[1:] + rates[:-1]).sum() * rule.step_h,
        rule.middle_pct: sum(at_middles) * rule.step_h,
    }
    for printed, found in hours.items():
        assert agrees(100.0 * (found / float(EXACT_H) - 1.0), printed)


def test_a_library_that_holds_the_right_value_is_off_as_printed() -> None:
    # transformer-thermal-model 0.6.0, days_aged of the ramp every 15 minutes.
    times = pd.date_range("2026-01-01", periods=41, freq="15min")
    hours = np.linspace(0.0, 10.0, 41)
    held = days_aged(
        pd.Series(90.0 + 4.0 * hours, index=times), PaperInsulationType.THERMAL_UPGRADED
    )
    assert agrees(24.0 * held, "18.5925")
    assert agrees(100.0 * (24.0 * held / float(EXACT_H) - 1.0), "4.92")


@given(
    first_c=st.floats(-20.0, 200.0),
    last_c=st.floats(-20.0, 200.0),
    hours=st.floats(0.001, 24.0),
    energy=st.floats(40e3, 140e3),
)
def test_a_rate_that_is_exponential_in_time_is_integrated_exactly(
    first_c: float, last_c: float, hours: float, energy: float
) -> None:
    # The logarithm of the rate runs straight when 1/T does.
    first, last = 1.0 / (first_c + ZERO_CELSIUS_K), 1.0 / (last_c + ZERO_CELSIUS_K)

    def rate(share: float) -> float:
        celsius = 1.0 / (first + share * (last - first)) - ZERO_CELSIUS_K
        return relative_rate(celsius, 80.0, energy)

    exact, _ = quad(rate, 0.0, 1.0, epsrel=1e-12, epsabs=0.0, limit=200)
    mean = logarithmic_mean(
        relative_rate(first_c, 80.0, energy), relative_rate(last_c, 80.0, energy)
    )
    assert mean == pytest.approx(exact, rel=1e-9)
    samples = profile([0.0, hours], [first_c, last_c])
    span_h = (samples[1]["time_ms"] - samples[0]["time_ms"]) / 3_600_000.0
    account = account_of(
        samples, max_gap_s=FOREVER_S, activation_energy_j_mol=energy, reference_c=80.0
    )
    assert account.equivalent_hours == pytest.approx(exact * span_h, rel=1e-9)


positive = st.floats(1e-30, 1e30)


@given(positive, positive)
def test_the_logarithmic_mean_lies_between_and_is_symmetric(
    first: float, second: float
) -> None:
    mean = logarithmic_mean(first, second)
    tolerance = 1e-12 * max(first, second)
    assert min(first, second) - tolerance <= mean <= max(first, second) + tolerance
    assert mean == pytest.approx(logarithmic_mean(second, first), rel=1e-12)
    geometric = math.sqrt(first) * math.sqrt(second)
    assert geometric * (1.0 - 1e-12) <= mean <= 0.5 * (first + second) * (1.0 + 1e-12)


@pytest.mark.parametrize("ratio", [1.0, 1.0 + 1e-15, 1.0 + 1e-8, 1.0 + 1e-3, 1.002, 1.003])
def test_the_logarithmic_mean_does_not_cancel_where_both_ends_are_close(ratio: float) -> None:
    # Series of (r - 1)/ln(r) about r = 1.
    x = ratio - 1.0
    series = 1.0 + x / 2.0 - x**2 / 12.0 + x**3 / 24.0 - 19.0 * x**4 / 720.0
    assert logarithmic_mean(1.0, ratio) == pytest.approx(series, rel=1e-14)
