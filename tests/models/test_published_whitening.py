"""Whitening against a table of run lengths under AR(1), statsmodels 0.15, and sums written out.

Table: two-sided CUSUM, k 1/2, h 5, values of variance 1; an earlier simulation of 4,000 runs a row.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from statsmodels.tsa.ar_model import AutoReg

from models.compiled import compiled
from models.layout import blank, dtype_of, record
from models.whitening import Whitener, independent, mean_variance, persistence, whiten
from tests.models.run_lengths import run_cusum
from tests.printed import half_unit

Floats = NDArray[np.float64]

COLOURED = {
    0.0: "465",
    0.1: "246",
    0.25: "117",
    0.5: "51",
    0.75: "32",
    0.9: "28.5",
    0.95: "32",
}

WHITE = 465.426
"""By the Markov chain of ``test_published_cusum.py``."""

each_phi = pytest.mark.parametrize("phi", COLOURED)


@each_phi
def test_values_that_hang_together_ruin_a_textbook_run_length(phi: float) -> None:
    runs = run_cusum(20_000, shift=0.0, k=0.5, h=5.0, phi=phi, both=True)
    printed = COLOURED[phi]
    spread = runs.error * math.sqrt(1.0 + 20_000 / 4_000)
    assert abs(runs.mean - float(printed)) <= half_unit(printed) + 4.0 * spread


@each_phi
def test_whitening_restores_the_run_length(phi: float) -> None:
    runs = run_cusum(20_000, shift=0.0, k=0.5, h=5.0, phi=phi, both=True, whitened=True)
    assert runs.agrees(WHITE)


@compiled
def _whiten_all(whitener: Whitener, values: Floats, steps_s: Floats, tau_s: float) -> Floats:
    white = np.zeros(len(values))
    for place in range(len(values)):
        white[place] = whiten(whitener, values[place], steps_s[place], tau_s)
    return white


def coloured(steps_s: Floats, tau_s: float, seed: int) -> Floats:
    """Draw an Ornstein-Uhlenbeck process of variance 1 at unequal steps [s]."""
    random = np.random.default_rng(seed)
    values = random.standard_normal(len(steps_s))
    for place in range(1, len(values)):
        left = math.exp(-steps_s[place] / tau_s)
        values[place] = left * values[place - 1] + math.sqrt(1.0 - left**2) * values[place]
    return values


def whitened(values: Floats, steps_s: Floats, tau_s: float) -> Floats:
    return _whiten_all(record(blank(dtype_of(Whitener))), values, steps_s, tau_s)


def lag_one(values: Floats) -> float:
    return float(np.corrcoef(values[1:], values[:-1])[0, 1])


@pytest.mark.parametrize("phi", [0.5, 0.9])
def test_statsmodels_finds_the_persistence_and_our_whitening_leaves_none(phi: float) -> None:
    tau_s = -30.0 / math.log(phi)
    assert persistence(30.0, tau_s) == pytest.approx(phi)
    steps_s = np.full(5000, 30.0)
    values = coloured(steps_s, tau_s, seed=1)
    found = float(AutoReg(values, lags=1).fit().params[1])
    assert found == pytest.approx(phi, abs=4.0 * math.sqrt((1.0 - phi**2) / 5000))
    white = whitened(values, steps_s, -30.0 / math.log(found))
    assert abs(lag_one(white)) <= 4.0 / math.sqrt(5000)
    # What is new is what statsmodels calls the residual of its regression, but for its constant.
    residuals = AutoReg(values, lags=1, trend="n").fit()
    ours = whitened(values, steps_s, -30.0 / math.log(residuals.params[0]))
    fresh = math.sqrt(1.0 - float(residuals.params[0]) ** 2)
    assert ours[1:] * fresh == pytest.approx(residuals.resid, abs=1e-9)


def test_steps_need_not_be_equal() -> None:
    random = np.random.default_rng(2)
    steps_s = random.choice([1.0, 5.0, 10.0, 30.0, 600.0], size=20_000)
    white = whitened(coloured(steps_s, 90.0, seed=3), steps_s, 90.0)
    bound = 4.0 / math.sqrt(len(white))
    assert abs(lag_one(white)) <= bound
    assert abs(white.mean()) <= bound
    assert abs(white.var() - 1.0) <= bound * math.sqrt(2.0)
    for step_s in (1.0, 5.0, 10.0, 30.0, 600.0):
        some = white[steps_s == step_s]
        assert abs(some.var() - 1.0) <= 4.0 * math.sqrt(2.0 / len(some))


def test_a_missing_value_makes_the_next_step_longer() -> None:
    steps_s = np.full(6, 10.0)
    values = np.array([0.5, math.nan, math.nan, 1.5, -1.0, 0.2])
    with_holes = whitened(values, steps_s, 60.0)
    seen = ~np.isnan(values)
    without = whitened(values[seen], np.array([10.0, 30.0, 10.0, 10.0]), 60.0)
    assert np.isnan(with_holes).tolist() == (~seen).tolist()
    assert with_holes[seen].tolist() == without.tolist()


def test_a_lasting_shift_is_left_with_the_share_that_is_said() -> None:
    phi = persistence(30.0, 120.0)
    white = whitened(np.ones(200), np.full(200, 30.0), 120.0)
    assert white[-1] == pytest.approx(math.sqrt((1.0 - phi) / (1.0 + phi)))


def covariances(count: int, phi: float) -> Floats:
    lags = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    return np.asarray(phi**lags, dtype=np.float64)


@pytest.mark.parametrize("count", [1, 2, 6, 60])
@pytest.mark.parametrize("phi", [0.0, 0.3, 0.9, 1.0])
def test_the_variance_of_a_mean_is_that_of_the_covariance_matrix(
    count: int, phi: float
) -> None:
    assert mean_variance(count, phi) == pytest.approx(covariances(count, phi).mean())
    assert independent(count, phi) == pytest.approx(1.0 / covariances(count, phi).mean())


def test_a_fine_grid_gives_the_mean_of_the_continuous_process() -> None:
    # 2 (tau / T) (1 - (tau / T) (1 - exp(-T / tau))), textbook, from memory.
    share = 20.0 / 30.0
    exact = 2.0 * share * (1.0 - share * (1.0 - math.exp(-1.0 / share)))
    assert mean_variance(3000, persistence(0.01, 20.0)) == pytest.approx(exact, rel=1e-3)


def test_the_sample_period_hardly_changes_what_a_window_is_worth() -> None:
    # Errors that fade in 60 s: a window of 60 s is worth little more than one value at any period.
    worth = [
        independent(round(60 / dt_s), persistence(dt_s, 60.0))
        for dt_s in (1.0, 5.0, 10.0, 30.0)
    ]
    assert max(worth) < 1.37
    assert min(worth) > 1.2
