"""What holds of mixing and weighing, whatever the numbers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.interacting import merge, weigh
from tests.models.banks import covariance

unhurried = settings(deadline=None)  # the first call compiles

seeds = st.integers(0, 2**32 - 1)


@unhurried
@given(seed=seeds, n=st.integers(1, 5), share=st.floats(0.0, 1.0))
def test_merging_keeps_mean_and_second_moment(seed: int, n: int, share: float) -> None:
    random = np.random.default_rng(seed)
    other_x, x = random.normal(size=(2, n))
    other_cov, cov = covariance(random, np.ones(n)), covariance(random, np.ones(n))
    mean = share * other_x + (1.0 - share) * x
    moment = share * (other_cov + np.outer(other_x, other_x))
    moment += (1.0 - share) * (cov + np.outer(x, x))
    merge(share, other_x, other_cov, x, cov)
    assert x == pytest.approx(mean)
    assert cov + np.outer(x, x) == pytest.approx(moment)


@unhurried
@given(seed=seeds, m=st.integers(2, 6), level=st.floats(-1e4, 1e4))
def test_weights_follow_bayes_however_unlikely_the_reading(
    seed: int, m: int, level: float
) -> None:
    random = np.random.default_rng(seed)
    prior, log_likelihoods = random.dirichlet(np.ones(m)), random.normal(size=m)
    weights = prior.copy()
    weigh(weights, log_likelihoods + level)
    joint = prior * np.exp(log_likelihoods)
    assert weights == pytest.approx(joint / joint.sum(), rel=1e-6)


def test_a_model_that_cannot_be_stays_out() -> None:
    weights = np.array([0.5, 0.0, 0.5])
    weigh(weights, np.array([-3.0, 900.0, -3.0]))
    assert weights.tolist() == [0.5, 0.0, 0.5]
