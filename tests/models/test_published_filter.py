"""Filter steps and the mixing of models against filterpy 2.0.0, scipy's Riccati solver and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from filterpy.kalman import IMMEstimator, KalmanFilter
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.linalg import solve_discrete_are

from models.interacting import mix, weigh
from models.kalman import UNBOUNDED, expect, predict, update
from tests.printed import agrees

Floats = NDArray[np.float64]

unhurried = settings(max_examples=50, deadline=None)  # the first call compiles


class Filter:
    """Our steps over arrays of their own."""

    def __init__(self, x: Floats, p: Floats, f: Floats, q: Floats, h: Floats, r: float) -> None:
        self.x, self.p, self.f, self.q, self.h, self.r = x.copy(), p.copy(), f, q, h, r
        self.spare, self.gain = np.zeros_like(p), np.zeros_like(x)

    def step(self, reading: float) -> float:
        predict(self.x, self.p, self.f, self.q, self.spare)
        return self.take(reading)

    def take(self, reading: float) -> float:
        innovation = reading - expect(self.x, self.h)
        return update(self.x, self.p, self.h, innovation, self.r, UNBOUNDED, self.gain)


def theirs(x: Floats, p: Floats, f: Floats, q: Floats, h: Floats, r: float) -> KalmanFilter:
    reference = KalmanFilter(dim_x=len(x), dim_z=1)
    reference.x, reference.P, reference.F, reference.Q = x.copy(), p.copy(), f, q
    reference.H, reference.R = h.reshape(1, -1), np.array([[r]])
    return reference


def system(seed: int, n: int) -> tuple[Floats, Floats, Floats, Floats, Floats, float]:
    """Draw a start, its covariance, a transition that does not run away, noises and a measurement."""
    random = np.random.default_rng(seed)
    root, stir = random.normal(size=(n, n)), random.normal(size=(n, n))
    turn = random.normal(size=(n, n))
    f = turn * random.uniform(0.2, 1.0) / np.linalg.norm(turn, 2)
    return (
        random.normal(size=n),
        root @ root.T + 0.1 * np.eye(n),
        f,
        0.1 * stir @ stir.T,
        random.normal(size=n),
        float(random.uniform(0.05, 5.0)),
    )


@unhurried
@given(seed=st.integers(0, 2**32 - 1), n=st.integers(1, 6))
def test_filter_steps_are_those_of_filterpy(seed: int, n: int) -> None:
    parts = system(seed, n)
    ours, reference = Filter(*parts), theirs(*parts)
    for reading in np.random.default_rng(seed).normal(scale=2.0, size=30):
        said = ours.step(float(reading))
        reference.predict()
        reference.update(reading)
        assert ours.x == pytest.approx(reference.x, rel=1e-8, abs=1e-10)
        assert ours.p == pytest.approx(reference.P, rel=1e-8, abs=1e-10)
        assert said == pytest.approx(reference.log_likelihood, rel=1e-8, abs=1e-9)


def steady() -> Filter:
    """Run F 0.99, H 1, Q 0.04, R 0.25 until nothing changes; leaves the covariance before an update."""
    one = np.array([1.0])
    ours = Filter(0.0 * one, np.eye(1), 0.99 * np.eye(1), 0.04 * np.eye(1), one, 0.25)
    for _ in range(500):
        ours.step(0.0)
    predict(ours.x, ours.p, ours.f, ours.q, ours.spare)
    return ours


def test_steady_state_of_one_state_is_the_printed_one() -> None:
    ours = steady()
    assert agrees(ours.p[0, 0], "0.1190343580")
    ours.take(0.0)
    assert agrees(ours.gain[0] / (ours.gain[0] + 0.25), "0.3225563025")


def test_steady_state_of_one_state_is_its_closed_form() -> None:
    b = 0.04 - 0.25 * (1.0 - 0.99**2)
    assert steady().p[0, 0] == pytest.approx(
        0.5 * (b + math.sqrt(b * b + 4 * 0.04 * 0.25)), rel=1e-12
    )


@pytest.mark.parametrize("n", [1, 2, 3, 5])
def test_steady_state_solves_the_riccati_equation_as_scipy_does(n: int) -> None:
    x, p, f, q, h, r = system(11 * n, n)
    ours = Filter(x, p, f, q, h, r)
    for _ in range(2000):
        ours.step(0.0)
    predict(ours.x, ours.p, ours.f, ours.q, ours.spare)
    solved = solve_discrete_are(f.T, h.reshape(-1, 1), q, np.array([[r]]))
    assert ours.p == pytest.approx(solved, rel=1e-7, abs=1e-9)


class Bank:
    """Our interacting models over arrays of their own."""

    def __init__(self, filters: list[Filter], weights: Floats, transition: Floats) -> None:
        self.filters, self.weights, self.transition = filters, weights.copy(), transition

    def step(self, reading: float) -> None:
        m, n = len(self.filters), len(self.filters[0].x)
        xs, ps = np.zeros((m, n)), np.zeros((m, n, n))
        weights, share = np.zeros(m), np.zeros(m)
        own_xs = np.array([one.x for one in self.filters])
        own_ps = np.array([one.p for one in self.filters])
        mix(self.weights, own_xs, own_ps, self.transition, share, weights, xs, ps)
        for one, x, p in zip(self.filters, xs, ps, strict=True):
            one.x, one.p = x.copy(), p.copy()
        weigh(weights, np.array([one.step(reading) for one in self.filters]))
        self.weights = weights


@unhurried
@given(seed=st.integers(0, 2**32 - 1), n=st.integers(1, 4), m=st.integers(2, 5))
def test_mixing_and_probabilities_are_those_of_filterpy(seed: int, n: int, m: int) -> None:
    random = np.random.default_rng(seed)
    parts = [system(int(random.integers(2**32)), n) for _ in range(m)]
    weights = random.dirichlet(np.ones(m))
    transition = random.dirichlet(np.ones(m), size=m)
    ours = Bank([Filter(*part) for part in parts], weights, transition)
    reference = IMMEstimator([theirs(*part) for part in parts], weights, transition)
    for reading in random.normal(size=15):
        ours.step(float(reading))
        reference.predict()
        reference.update(reading)
        assert ours.weights == pytest.approx(reference.mu, rel=1e-7, abs=1e-12)
        for mine, other in zip(ours.filters, reference.filters, strict=True):
            assert mine.x == pytest.approx(other.x, rel=1e-7, abs=1e-9)
            assert mine.p == pytest.approx(other.P, rel=1e-7, abs=1e-9)


def drifting(drift_k: float) -> Filter:
    """Build a level that drifts so far a step; the second state is the constant 1."""
    f = np.array([[1.0, drift_k], [0.0, 1.0]])
    return Filter(
        np.array([0.0, 1.0]),
        np.diag([0.1, 0.0]),
        f,
        np.diag([1e-4, 0.0]),
        np.array([1.0, 0.0]),
        0.3**2,
    )


def test_two_models_of_drift_notice_the_change_within_four_samples() -> None:
    # Drift 0, then 0.4 K a step; sd of a reading 0.3 K, chance of a change 0.001 a step. Worked out before
    # with filterpy: above 0.99 within 4 samples.
    transition = np.array([[0.999, 0.001], [0.001, 0.999]])
    delays = []
    for seed in range(25):
        random = np.random.default_rng(seed)
        bank = Bank([drifting(0.0), drifting(0.4)], np.array([0.99, 0.01]), transition)
        for _ in range(60):
            bank.step(0.3 * random.normal())
        assert bank.weights[0] > 0.95
        delay = 0
        while bank.weights[1] <= 0.99:
            delay += 1
            bank.step(0.4 * delay + 0.3 * random.normal())
        delays.append(delay)
    assert max(delays) <= 4
