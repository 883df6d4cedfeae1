"""What holds of the sequential tests, whatever the numbers."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.layout import blank, dtype_of, record
from models.sequential import (
    ShiryaevRoberts,
    Sprt,
    decide,
    odds_threshold,
    suspect,
    threshold,
    wald_bounds,
)

unhurried = settings(max_examples=60, deadline=None)  # the first call compiles

small = st.floats(-5.0, 5.0)


def suspicion() -> Any:
    return record(blank(dtype_of(ShiryaevRoberts)))


@unhurried
@given(values=st.lists(small, max_size=40))
def test_walds_test_goes_on_between_its_bounds_and_begins_again_beyond(
    values: list[float],
) -> None:
    upper, lower = wald_bounds(0.05, 0.1)
    sprt = record(blank(dtype_of(Sprt)))
    since = 0.0
    for value in values:
        since += value
        decision = decide(sprt, value, upper, lower)
        assert decision == (1 if since >= upper else -1 if since <= lower else 0)
        since = 0.0 if decision else since
        assert sprt.log_ratio == since


windows = st.lists(
    st.tuples(
        st.floats(-30.0, 30.0), st.floats(1.0, 600.0), st.sampled_from([0.0, 0.5, 1.0, 2.0])
    ),
    min_size=1,
    max_size=25,
)


@unhurried
@given(seen=windows)
def test_the_statistic_sums_over_every_moment_of_change(
    seen: list[tuple[float, float, float]],
) -> None:
    state, log_r = suspicion(), -math.inf
    for log_ratio, dt_s, chance in seen:
        log_r = suspect(state, log_ratio, dt_s, chance)
    logs, spans, chances = (np.array(column) for column in zip(*seen, strict=True))
    since = chances * np.exp(np.cumsum(logs[::-1])[::-1])
    ages = np.cumsum(spans[::-1])[::-1]
    total = since.sum()
    assert math.exp(log_r) == pytest.approx(total, rel=1e-6, abs=1e-9)
    assert state.log_one_plus == pytest.approx(math.log1p(total), rel=1e-9, abs=1e-9)
    if total > 1e-3:
        assert state.age_s == pytest.approx((since * ages).sum() / total, rel=1e-3)


@unhurried
@given(n=st.integers(1, 6), unchanged=st.floats(0.05, 0.95), changed=st.floats(0.05, 0.95))
def test_without_a_change_it_grows_by_one_a_window_whatever_the_distributions(
    n: int, unchanged: float, changed: float
) -> None:
    # Over all outcomes of n tosses, each with its chance: exact, not sampled.
    ratios = {True: changed / unchanged, False: (1.0 - changed) / (1.0 - unchanged)}

    def expected(temper: float, most: float) -> float:
        total = 0.0
        for tosses in itertools.product([True, False], repeat=n):
            state, weight, log_r = suspicion(), 1.0, -math.inf
            for toss in tosses:
                log_r = suspect(state, min(most, temper * math.log(ratios[toss])), 30.0, 1.0)
                weight *= unchanged if toss else 1.0 - unchanged
            total += weight * math.exp(log_r)
        return total

    assert expected(1.0, math.inf) == pytest.approx(n)
    assert expected(0.5, math.inf) <= n * (1.0 + 1e-9)
    assert expected(1.0, 0.3) <= n * (1.0 + 1e-9)


def test_nobody_is_suspected_for_want_of_data() -> None:
    state = suspicion()
    assert suspect(state, 0.0, 3600.0, 0.0) == -math.inf
    before = suspect(state, 2.0, 30.0, 1.0)
    for _ in range(1000):
        suspect(state, 0.0, 30.0, 0.0)
    assert suspect(state, 0.0, 30.0, 0.0) == pytest.approx(before)


@unhurried
@given(log_ratio=st.floats(-700.0, 700.0))
def test_no_reading_however_wild_leaves_the_numbers(log_ratio: float) -> None:
    state = suspicion()
    for _ in range(5):
        suspect(state, log_ratio, 30.0, 1.0)
        assert math.isfinite(state.log_one_plus)
        assert state.age_s > 0.0


@unhurried
@given(
    logs=st.lists(st.floats(-4.0, 4.0), min_size=1, max_size=60), hazard=st.floats(1e-6, 1e-2)
)
def test_the_odds_of_bayes_stay_below_hazard_times_the_statistic(
    logs: list[float], hazard: float
) -> None:
    # As long as the way back is taken to be as likely as the way there.
    state, p = suspicion(), 0.0
    for log_ratio in logs:
        p = p * (1.0 - hazard) + (1.0 - p) * hazard
        p = p * math.exp(log_ratio) / (p * math.exp(log_ratio) + 1.0 - p)
        log_r = suspect(state, log_ratio, 30.0, 1.0)
        assert math.log(p / (1.0 - p)) <= math.log(hazard / (1.0 - hazard)) + log_r + 1e-6


@unhurried
@given(rate=st.floats(1e-6, 1.0), window_s=st.floats(1.0, 300.0), hazard=st.floats(1e-7, 1e-2))
def test_thresholds_turn_back_into_the_rate_that_was_asked_for(
    rate: float, window_s: float, hazard: float
) -> None:
    a_window = math.exp(-threshold(rate, window_s))
    assert a_window * 3600.0 / window_s == pytest.approx(rate)
    assert odds_threshold(rate, window_s, hazard) == pytest.approx(math.log(hazard / a_window))
