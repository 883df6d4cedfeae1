"""What holds of every filter step, whatever the numbers."""

from __future__ import annotations

import math
from typing import Annotated

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import quad

from models.compiled import compiled
from models.interacting import merge, mix, weigh
from models.kalman import UNBOUNDED, log_density, predict, update, wander
from models.layout import Layout, blank, dtype_of, record

Floats = NDArray[np.float64]

unhurried = settings(deadline=None)  # the first call compiles

seeds = st.integers(0, 2**32 - 1)


def covariance(random: np.random.Generator, n: int) -> Floats:
    root = random.normal(size=(n, n))
    product = root @ root.T + 1e-3 * np.eye(n)
    return 0.5 * (product + product.T)


@unhurried
@given(seed=seeds, n=st.integers(1, 6), r=st.floats(1e-13, 1e3))
def test_a_covariance_stays_one_however_exact_the_readings(seed: int, n: int, r: float) -> None:
    random = np.random.default_rng(seed)
    x, p, spare, gain = (
        random.normal(size=n),
        covariance(random, n),
        np.zeros((n, n)),
        np.zeros(n),
    )
    f, q = np.eye(n) + 0.05 * random.normal(size=(n, n)), 1e-6 * np.eye(n)
    for _ in range(50):
        predict(x, p, f, q, spare)
        update(x, p, random.normal(size=n), float(random.normal()), r, UNBOUNDED, gain)
        assert np.array_equal(p, p.T)
        eigenvalues = np.linalg.eigvalsh(p)
        assert eigenvalues[0] >= -1e-12 * eigenvalues[-1]


@unhurried
@given(seed=seeds, n=st.integers(1, 5))
def test_a_reading_never_makes_anything_less_sure(seed: int, n: int) -> None:
    random = np.random.default_rng(seed)
    p = covariance(random, n)
    before = p.diagonal().copy()
    update(np.zeros(n), p, random.normal(size=n), 1.0, 0.5, 3.0, np.zeros(n))
    assert (p.diagonal() <= before * (1.0 + 1e-12)).all()


@unhurried
@given(seed=seeds, bound=st.floats(0.5, 6.0), wild=st.floats(1.0, 1e6))
def test_a_wild_reading_moves_the_state_no_further_than_the_bound(
    seed: int, bound: float, wild: float
) -> None:
    random = np.random.default_rng(seed)
    p, h, r = covariance(random, 3), random.normal(size=3), 0.7
    sd = math.sqrt(float(h @ p @ h) + r)
    moved, at_bound = np.zeros(3), np.zeros(3)
    other = p.copy()
    update(moved, p, h, wild * bound * sd, r, bound, np.zeros(3))
    update(at_bound, other, h, bound * sd, r, bound, np.zeros(3))
    assert moved == pytest.approx(at_bound, rel=1e-9, abs=1e-12)
    assert np.array_equal(p, other)


@unhurried
@given(z=st.floats(-3.0, 3.0))
def test_inside_the_bound_a_reading_counts_as_in_the_plain_filter(z: float) -> None:
    bounded, plain = np.zeros(1), np.zeros(1)
    one = np.ones(1)
    update(bounded, np.eye(1), one, z * math.sqrt(2.0), 1.0, 3.01, np.zeros(1))
    update(plain, np.eye(1), one, z * math.sqrt(2.0), 1.0, UNBOUNDED, np.zeros(1))
    assert bounded == plain


@pytest.mark.parametrize("bound", [0.5, 1.345, 3.0, UNBOUNDED])
def test_the_bounded_likelihood_is_a_density(bound: float) -> None:
    inner = quad(lambda z: math.exp(log_density(z, bound)), 0.0, min(bound, 40.0))[0]
    tail = 0.0
    if bound < UNBOUNDED:
        tail = quad(lambda z: math.exp(log_density(z, bound)), bound, bound + 400.0)[0]
    assert 2.0 * (inner + tail) == pytest.approx(1.0, abs=1e-7)


@unhurried
@given(seed=seeds, n=st.integers(1, 5))
def test_wandering_is_a_prediction_that_leads_nowhere(seed: int, n: int) -> None:
    random = np.random.default_rng(seed)
    x, p, variance = random.normal(size=n), covariance(random, n), random.uniform(size=n)
    other = p.copy()
    wander(other, variance)
    predict(x, p, np.eye(n), np.diag(variance), np.zeros((n, n)))
    assert p == pytest.approx(other)


@unhurried
@given(seed=seeds, n=st.integers(1, 4), m=st.integers(1, 5))
def test_merging_keeps_mean_and_second_moment(seed: int, n: int, m: int) -> None:
    random = np.random.default_rng(seed)
    share, xs = random.dirichlet(np.ones(m)), random.normal(size=(m, n))
    ps = np.array([covariance(random, n) for _ in range(m)])
    x, p = np.zeros(n), np.zeros((n, n))
    merge(share, xs, ps, x, p)
    moments = ps + np.einsum("ki,kj->kij", xs, xs)
    assert x == pytest.approx(share @ xs)
    assert p + np.outer(x, x) == pytest.approx(np.einsum("k,kij->ij", share, moments))
    assert np.array_equal(p, p.T)


def test_a_model_that_nothing_leads_to_keeps_what_it_had() -> None:
    weights, xs = np.array([1.0, 0.0]), np.array([[1.0], [7.0]])
    ps = np.array([[[1.0]], [[2.0]]])
    mixed_weights, mixed_xs, mixed_ps = np.zeros(2), np.zeros((2, 1)), np.zeros((2, 1, 1))
    mix(weights, xs, ps, np.eye(2), np.zeros(2), mixed_weights, mixed_xs, mixed_ps)
    assert mixed_weights.tolist() == [1.0, 0.0]
    assert (mixed_xs == xs).all()
    assert (mixed_ps == ps).all()


@unhurried
@given(seed=seeds, m=st.integers(2, 6), level=st.floats(-1e4, 1e4))
def test_weights_follow_bayes_however_unlikely_the_reading(
    seed: int, m: int, level: float
) -> None:
    random = np.random.default_rng(seed)
    prior, log_likelihoods = random.dirichlet(np.ones(m)), random.normal(size=m)
    weights = prior.copy()
    evidence = weigh(weights, log_likelihoods + level)
    joint = prior * np.exp(log_likelihoods)
    assert weights == pytest.approx(joint / joint.sum(), rel=1e-6)
    assert evidence == pytest.approx(level + math.log(joint.sum()), rel=1e-9, abs=1e-9)


def test_a_model_that_cannot_be_stays_out() -> None:
    weights = np.array([0.5, 0.0, 0.5])
    weigh(weights, np.array([-3.0, 900.0, -3.0]))
    assert weights.tolist() == [0.5, 0.0, 0.5]


class Held(Layout):
    state: Annotated[Floats, 2]
    spread: Annotated[Floats, 4]
    gain: Annotated[Floats, 2]


@compiled
def _take(held: Held, h: Floats) -> None:
    update(held.state, held.spread.reshape(2, 2), h, 1.0, 1.0, 3.0, held.gain)


def test_the_steps_work_in_place_on_the_fields_of_a_record() -> None:
    records = blank(dtype_of(Held), 3)
    records["spread"][1] = [1.0, 0.0, 0.0, 1.0]
    _take(record(records, 1), np.array([1.0, 0.0]))
    assert records["state"].flatten().tolist() == pytest.approx([0.0, 0.0, 0.5, 0.0, 0.0, 0.0])
    assert records["spread"][1].tolist() == pytest.approx([0.5, 0.0, 0.0, 1.0])
