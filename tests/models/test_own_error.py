"""How far off a truck's balance is, learned: variances that are known come out, whatever was stated.

Normal deviates and AR(1) by numpy; the scalar filter that sees a part of what lasts is written out here.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.layout import blank, dtype_of, record
from models.own_error import (
    BLOCK,
    LEAST,
    MOST,
    OwnError,
    begin_block,
    lasting_scale,
    learn_lasting,
    learn_window,
    window_scale,
)

seeds = st.integers(0, 2**32 - 1)


def fresh() -> Any:
    return record(blank(dtype_of(OwnError)))


def test_nothing_is_scaled_before_anything_is_known() -> None:
    assert window_scale(fresh()) == 1.0
    assert lasting_scale(fresh()) == 1.0


@pytest.mark.parametrize("true_sd", [0.5, 0.8, 1.0, 1.5])
def test_white_errors_of_any_size_come_out(true_sd: float) -> None:
    own, random = fresh(), np.random.default_rng(5)
    for _ in range(6_000):
        learn_window(own, true_sd * random.standard_normal() / window_scale(own))
    # A twentieth low: the few beyond ``WILDEST`` count for less.
    assert window_scale(own) == pytest.approx(true_sd, rel=0.12)


def test_neighbours_that_err_together_make_it_wider() -> None:
    """AR(1) of 0.8 has the variance of white noise and nine times that of its sums."""
    white, joint, random = fresh(), fresh(), np.random.default_rng(6)
    error = 0.0
    for _ in range(6_000):
        error = 0.8 * error + math.sqrt(1.0 - 0.64) * random.standard_normal()
        learn_window(joint, 0.6 * error / window_scale(joint))
        learn_window(white, 0.6 * random.standard_normal() / window_scale(white))
    assert window_scale(joint) > 1.5 * window_scale(white)


@pytest.mark.parametrize("noise_sd", [0.3, 1.0])
def test_what_lasts_comes_out_of_a_filter_that_sees_a_part_of_it(noise_sd: float) -> None:
    for true_sd in (0.5, 1.0):
        assert learned(true_sd, noise_sd) == pytest.approx(true_sd, rel=0.15)
    # The largest count for less (``WILDEST``): what is wider than stated comes out wider, not in full.
    assert 1.2 < learned(1.7, noise_sd) <= 1.7


def learned(true_sd: float, noise_sd: float) -> float:
    """Learn from a filter that takes the error to be as large as is now learned, and shrinks accordingly."""
    own, random, stated = fresh(), np.random.default_rng(7), 2.0
    for _ in range(12_000):
        prior = (stated * lasting_scale(own)) ** 2
        seen = prior / (prior + noise_sd**2)
        reading = (
            true_sd * stated * random.standard_normal() + noise_sd * random.standard_normal()
        )
        learn_lasting(own, seen * reading, prior * (1.0 - seen), stated)
    return lasting_scale(own)


@settings(max_examples=60, deadline=None)
@given(seed=seeds, size=st.floats(1e-3, 1e3))
def test_it_stays_within_what_is_believed(seed: int, size: float) -> None:
    own, random = fresh(), np.random.default_rng(seed)
    for _ in range(300):
        learn_window(own, size * random.standard_normal())
        learn_lasting(own, size * random.standard_normal(), random.uniform(0.0, 4.0), 1.0)
        for scale in (window_scale(own), lasting_scale(own)):
            assert math.sqrt(LEAST) <= scale <= math.sqrt(MOST)


def test_of_a_wild_block_little_is_left_after_three_hours() -> None:
    own, random = fresh(), np.random.default_rng(8)
    for _ in range(BLOCK):
        learn_window(own, 50.0)
    for _ in range(400):
        learn_window(own, random.standard_normal() / window_scale(own))
    assert window_scale(own) < 1.3


def test_a_gap_ends_a_block() -> None:
    own = fresh()
    for _ in range(BLOCK - 1):
        learn_window(own, 1.0)
    begin_block(own)
    learn_window(own, 1.0)
    assert (own.filled, own.total, own.blocks) == (1, 1.0, 0.0)
