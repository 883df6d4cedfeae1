"""Viscosity: what must hold for any fluid."""

from __future__ import annotations

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from models.viscosity import (
    LEAST_MM2_S,
    from_z,
    reference_oils_mm2_s,
    temperature_at_c,
    to_z,
    viscosity_index,
    viscosity_mm2_s,
)

kv100s = st.floats(2.0, 40.0)
ratios = st.floats(2.0, 15.0)
temperatures = st.floats(-60.0, 250.0)


@given(kv100s, ratios)
def test_the_line_runs_through_both_points(kv100: float, ratio: float) -> None:
    kv40 = kv100 * ratio
    assert viscosity_mm2_s(kv40, kv100, 40.0) == pytest.approx(kv40, rel=1e-4)
    assert viscosity_mm2_s(kv40, kv100, 100.0) == pytest.approx(kv100, rel=1e-4)


@given(kv100s, ratios, temperatures)
def test_there_and_back(kv100: float, ratio: float, celsius: float) -> None:
    there = viscosity_mm2_s(kv100 * ratio, kv100, celsius)
    assume(there > LEAST_MM2_S)
    assert temperature_at_c(kv100 * ratio, kv100, there) == pytest.approx(celsius, abs=0.2)


@given(kv100s, ratios, temperatures, st.floats(0.1, 50.0))
def test_warmer_is_thinner(kv100: float, ratio: float, celsius: float, more_k: float) -> None:
    cold = viscosity_mm2_s(kv100 * ratio, kv100, celsius)
    assert viscosity_mm2_s(kv100 * ratio, kv100, celsius + more_k) < cold


@given(st.floats(LEAST_MM2_S, 1e7))
def test_back_from_z(mm2_s: float) -> None:
    assert from_z(to_z(mm2_s)) == pytest.approx(mm2_s, rel=3e-4)


@given(kv100s, ratios, ratios)
def test_less_change_is_a_higher_index(kv100: float, ratio: float, other: float) -> None:
    steady, steep = sorted((ratio, other))
    assume(steep > steady * 1.001)
    assert viscosity_index(kv100 * steady, kv100) > viscosity_index(kv100 * steep, kv100)


@given(kv100s)
def test_both_procedures_meet(kv100: float) -> None:
    # Just above and just below the reference oil of index 100.
    _, high = reference_oils_mm2_s(kv100)
    assert viscosity_index(high, kv100) == pytest.approx(100.0, abs=1e-9)
    assert viscosity_index(high * (1.0 - 1e-9), kv100) == pytest.approx(100.0, abs=1e-4)


@pytest.mark.parametrize(
    ("kv40", "kv100"), [(6.0, 29.6), (6.0, 6.0), (1.0, 0.2), (float("nan"), 6.0)]
)
def test_what_is_no_fluid_is_refused(kv40: float, kv100: float) -> None:
    with pytest.raises(ValueError, match="a fluid thins as it warms"):
        viscosity_mm2_s(kv40, kv100, 80.0)
    with pytest.raises(ValueError, match="that thin as they warm"):
        viscosity_index(kv40, kv100)


def test_thinner_than_the_methods_are_for() -> None:
    with pytest.raises(ValueError, match=r"below 0\.21"):
        temperature_at_c(29.6, 6.0, 0.2)
    with pytest.raises(ValueError, match="from 2 mm²/s"):
        viscosity_index(6.0, 1.99)
