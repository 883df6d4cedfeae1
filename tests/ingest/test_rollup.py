"""Sums by the minute and the hour, against pandas; time in bands, against the account's own histogram."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from ingest.codec import absent, join
from ingest.history import table
from ingest.rollup import (
    BANDS,
    EDGES_C,
    HOUR_MS,
    MINUTE_MS,
    Rollup,
    between,
    joined,
    rollup,
)
from models.histogram import BINS, FIRST_C, WIDTH_K, spread
from models.sample import SIGNAL_NAMES
from tests.recorded import NOON_MS

GAP_MS = 300_000
STEPS = {MINUTE_MS: "1min", HOUR_MS: "1h"}

FLUID_C = st.one_of(
    st.floats(-20.0, 200.0), st.sampled_from([*EDGES_C, float("nan"), -40.0, 199.9])
)


def made(
    steps_ms: list[int], fluid_c: list[float], start_ms: int = NOON_MS + 137
) -> NDArray[Any]:
    samples = absent(len(fluid_c))
    samples["time_ms"] = start_ms + np.cumsum(steps_ms[: len(fluid_c)])
    samples["fluid_temp_c"] = fluid_c
    samples["speed_km_h"] = np.arange(len(fluid_c)) * 1.1
    samples["gear"][::3] = 4.0
    return samples


STRETCHES = st.builds(
    made,
    st.lists(
        st.sampled_from(
            [1, 1_000, 10_000, 59_999, 60_000, 90_000, 300_000, 300_001, 5_000_000]
        ),
        min_size=60,
        max_size=60,
    ),
    st.lists(FLUID_C, min_size=1, max_size=60),
)


@settings(max_examples=150, deadline=None)
@given(samples=STRETCHES, step_ms=st.sampled_from(sorted(STEPS)))
def test_least_mean_greatest_and_count_are_those_of_pandas(
    samples: NDArray[Any], step_ms: int
) -> None:
    found = rollup(samples, step_ms=step_ms, max_gap_ms=GAP_MS)
    whole = table(samples).resample(STEPS[step_ms])
    times = pd.to_datetime(found.start_ms, unit="ms", utc=True)
    for name in ("fluid_temp_c", "speed_km_h", "gear", "lockup"):
        one = found.signals[name]
        wanted = whole[name].agg(["min", "mean", "max", "count"]).reindex(times)
        np.testing.assert_array_equal(one.low, wanted["min"])
        np.testing.assert_array_equal(one.high, wanted["max"])
        np.testing.assert_array_equal(one.count, wanted["count"].fillna(0))
        np.testing.assert_allclose(one.mean, wanted["mean"], rtol=1e-12)
    rows = whole.size()
    np.testing.assert_array_equal(found.samples, rows.reindex(times).fillna(0))
    assert found.samples.sum() == len(samples)
    assert set(rows[rows > 0].index) <= set(times)


def by_histogram(samples: NDArray[Any], max_gap_ms: int) -> NDArray[np.float64]:
    """Give the seconds in each band as the account counts them: span by span, in its bins of 2 K."""
    bins = np.zeros(BINS)
    read = samples[~np.isnan(samples["fluid_temp_c"])]
    for before, after in pairwise(read):
        span_ms = int(after["time_ms"] - before["time_ms"])
        if span_ms <= max_gap_ms:
            spread(bins, before["fluid_temp_c"], after["fluid_temp_c"], span_ms / 1000.0)
    lower_c = FIRST_C + WIDTH_K * np.arange(BINS)
    bands = np.searchsorted(EDGES_C, lower_c, side="right")
    return np.bincount(bands, weights=bins, minlength=BANDS).astype(np.float64)


@settings(max_examples=150, deadline=None)
@given(samples=STRETCHES, step_ms=st.sampled_from(sorted(STEPS)))
def test_time_in_bands_is_that_of_the_accounts_own_histogram(
    samples: NDArray[Any], step_ms: int
) -> None:
    found = rollup(samples, step_ms=step_ms, max_gap_ms=GAP_MS)
    wanted = by_histogram(samples, GAP_MS)
    np.testing.assert_allclose(found.bands_s.sum(axis=0), wanted, rtol=1e-9, atol=1e-9)
    assert (found.seen_s <= step_ms / 1000.0 + 1e-9).all()
    assert (found.bands_s >= 0.0).all()


def test_a_span_is_cut_where_a_bucket_ends() -> None:
    # From 12:00:30 to 12:02:30 in one line of 1/T: a quarter, a half, a quarter of the time.
    samples = made([0, 120_000], [90.0, 90.0], NOON_MS + 30_000)
    found = rollup(samples, step_ms=MINUTE_MS, max_gap_ms=GAP_MS)
    assert found.seen_s.tolist() == [30.0, 60.0, 30.0]
    assert found.samples.tolist() == [1, 0, 1]
    assert np.isnan(found.signals["fluid_temp_c"].mean[1])
    # 90 °C belongs to the band that begins there.
    assert found.bands_s[:, EDGES_C.index(90.0) + 1].tolist() == [30.0, 60.0, 30.0]


def test_nothing_is_made_up_across_a_gap() -> None:
    samples = made([0, GAP_MS, GAP_MS + 1], [90.0, 90.0, 90.0], NOON_MS)
    found = rollup(samples, step_ms=MINUTE_MS, max_gap_ms=GAP_MS)
    assert found.start_ms.tolist() == [
        *range(NOON_MS, NOON_MS + GAP_MS + 1, MINUTE_MS),
        NOON_MS + 2 * GAP_MS,
    ]
    assert found.seen_s.sum() == GAP_MS / 1000.0


def test_no_samples_have_no_buckets() -> None:
    found = rollup(absent(0), step_ms=HOUR_MS, max_gap_ms=GAP_MS)
    assert len(found.start_ms) == len(found.seen_s) == 0
    assert found.bands_s.shape == (0, BANDS)
    assert set(found.signals) == set(SIGNAL_NAMES)


def _same(left: Rollup, right: Rollup) -> None:
    for name in ("start_ms", "samples"):
        np.testing.assert_array_equal(getattr(left, name), getattr(right, name))
    np.testing.assert_allclose(left.bands_s, right.bands_s, rtol=1e-9, atol=1e-9)
    for name, one in left.signals.items():
        for what in ("low", "mean", "high", "count"):
            np.testing.assert_array_equal(
                getattr(one, what), getattr(right.signals[name], what)
            )


@settings(max_examples=60, deadline=None)
@given(samples=STRETCHES, cut=st.integers(0, 12))
def test_parts_cut_at_a_bucket_and_joined_are_the_whole(
    samples: NDArray[Any], cut: int
) -> None:
    whole = rollup(samples, step_ms=MINUTE_MS, max_gap_ms=GAP_MS)
    wall_ms = NOON_MS + cut * 10 * MINUTE_MS
    parts = [between(whole, 0, wall_ms), between(whole, wall_ms, 2**62)]
    _same(joined(parts), whole)
    times = samples["time_ms"]
    near = samples[times < wall_ms + GAP_MS], samples[times >= wall_ms - GAP_MS]
    apart = [
        between(rollup(near[0], step_ms=MINUTE_MS, max_gap_ms=GAP_MS), 0, wall_ms),
        between(rollup(near[1], step_ms=MINUTE_MS, max_gap_ms=GAP_MS), wall_ms, 2**62),
    ]
    _same(joined(apart), whole)


@pytest.mark.parametrize("step_ms", sorted(STEPS))
def test_an_hour_of_a_steady_beat_is_seen_whole(step_ms: int) -> None:
    samples = join([made([10_000] * 400, [85.0] * 400, NOON_MS)])
    found = rollup(samples, step_ms=step_ms, max_gap_ms=GAP_MS)
    assert found.seen_s.sum() == 3_990.0
