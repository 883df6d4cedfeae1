"""The slope that the soak is judged by."""

from __future__ import annotations

from random import Random

import pytest

from tests.torture.slope import slope_of


def test_the_median_of_ten_slopes_worked_out_by_hand() -> None:
    # In order: -1, 0, 1/2, 3/4, 1, 1, 1, 4/3, 2, 3.
    found = slope_of([0, 1, 2, 3, 4], [1, 1, 2, 5, 4])
    assert found.median == 1.0
    assert found.low <= found.median <= found.high


def test_a_line_is_found_exactly() -> None:
    times = [0.0, 1.0, 2.5, 4.0, 7.0, 9.0]
    found = slope_of(times, [3.0 + 0.25 * each for each in times])
    assert (found.low, found.median, found.high) == pytest.approx((0.25, 0.25, 0.25))


def test_noise_and_a_wild_point_do_not_make_a_slope() -> None:
    rng = Random(1)
    values = [300.0 + rng.gauss(0.0, 0.2) for _ in range(80)]
    values[40] += 500.0
    found = slope_of(list(range(80)), values)
    assert found.low < 0.0 < found.high
    assert abs(found.median) < 0.01


def test_growth_is_sure_where_it_is() -> None:
    rng = Random(2)
    values = [300.0 + 0.1 * n + rng.gauss(0.0, 0.5) for n in range(80)]
    found = slope_of(list(range(80)), values)
    assert 0.05 < found.low < 0.1 < found.high < 0.15
