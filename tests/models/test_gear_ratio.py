"""The ratio of a gear: the value that keeps coming back, and what may take its place."""

from __future__ import annotations

from collections.abc import Sequence
from random import Random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.gear_ratio import (
    GEAR_STEP,
    HIGHER_WINS_S,
    LOWER_WINS_S,
    GearRatios,
    ratio_sd,
    take_reading,
    turbine_ratio,
)
from models.layout import blank, dtype_of, record

KM_H = 72.0


def ratios() -> Any:
    return record(blank(dtype_of(GearRatios)))


def take(state: Any, readings: Sequence[float], dt_s: float = 10.0) -> float:
    for reading in readings:
        take_reading(state, 4, reading, KM_H, dt_s, LOWER_WINS_S, HIGHER_WINS_S)
    return float(state.per_km_h[4])


def noisy(value: float, count: int, seed: int = 1) -> list[float]:
    rng = Random(seed)
    return [value * (1.0 + rng.gauss(0.0, 0.003)) for _ in range(count)]


def test_a_ratio_is_learned_to_a_fraction_of_a_reading() -> None:
    assert take(ratios(), noisy(23.0, 60)) == pytest.approx(23.0, rel=0.002)


@pytest.mark.parametrize("slip", [1.05, 1.12, 1.2])
def test_slip_in_a_third_of_the_readings_is_not_learned(slip: float) -> None:
    rng = Random(2)
    mixed = [reading * (slip if rng.random() < 0.33 else 1.0) for reading in noisy(23.0, 300)]
    assert take(ratios(), mixed) == pytest.approx(23.0, rel=0.003)


def test_a_value_that_began_in_slip_falls_to_the_floor_at_once() -> None:
    state = ratios()
    take(state, noisy(25.0, 50))
    assert take(state, noisy(23.0, 3)) == pytest.approx(23.0, rel=0.005)


def test_tyre_wear_is_followed() -> None:
    state = ratios()
    for day in range(60):
        take(state, noisy(23.0 * (1.0 + 0.0005 * day), 20, seed=day))
    assert state.per_km_h[4] == pytest.approx(23.0 * 1.03, rel=0.004)


def test_other_tyres_are_believed_when_nothing_else_was_seen_for_long() -> None:
    state = ratios()
    take(state, noisy(23.0, 100))
    smaller = noisy(23.0 * 1.04, 100)
    few = round(HIGHER_WINS_S / 10.0) - 5
    assert take(state, smaller[:few]) == pytest.approx(23.0, rel=0.005)
    assert take(state, smaller[few:]) == pytest.approx(23.0 * 1.04, rel=0.005)


def test_one_wild_reading_changes_nothing() -> None:
    state = ratios()
    before = take(state, noisy(23.0, 50))
    for wild in (17.0, 30.0, 5.0):
        assert take(state, [wild]) == before


@given(
    readings=st.lists(st.floats(min_value=5.0, max_value=120.0), min_size=1, max_size=200),
    dt_s=st.sampled_from([1.0, 5.0, 10.0, 30.0]),
)
def test_the_value_stays_among_its_readings_and_the_evidence_grows_to_a_limit(
    readings: list[float], dt_s: float
) -> None:
    state = ratios()
    value = take(state, readings, dt_s)
    assert min(readings) - 1e-9 <= value <= max(readings) + 1e-9
    assert 0.0 < state.proof_s[4] <= 1200.0
    assert not any(state.per_km_h[:4])
    assert not any(state.per_km_h[5:])


def test_more_evidence_is_surer() -> None:
    assert ratio_sd(30.0) > ratio_sd(300.0) > ratio_sd(1200.0) > 0.0


def test_a_gear_that_never_locks_goes_by_its_coasting_or_by_the_step_from_the_next() -> None:
    locked, coasting = ratios(), ratios()
    take(locked, noisy(23.0, 60))
    known, known_sd = turbine_ratio(locked, coasting, 4)
    stepped, stepped_sd = turbine_ratio(locked, coasting, 3)
    assert known == pytest.approx(23.0, rel=0.003)
    assert stepped == pytest.approx(23.0 * GEAR_STEP, rel=0.003)
    assert stepped_sd > known_sd
    take_reading(coasting, 3, 33.0, KM_H, 10.0, LOWER_WINS_S, HIGHER_WINS_S)
    take(coasting, noisy(33.0, 10))
    for _ in range(5):
        take_reading(coasting, 3, 33.0, KM_H, 10.0, LOWER_WINS_S, HIGHER_WINS_S)
    own, own_sd = turbine_ratio(locked, coasting, 3)
    assert own == pytest.approx(33.0, rel=0.05)
    assert known_sd < own_sd < stepped_sd
    nothing, _ = turbine_ratio(locked, coasting, 7)
    assert nothing != nothing
