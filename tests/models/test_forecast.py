"""The forecast's rules: what must hold for any weeks, and what plain cases come to."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from models.forecast import (
    HORIZON_DAYS,
    PRIOR_VARIANCE,
    WANDER,
    WEEK_VARIANCE,
    Z_80,
    days_until,
    pace,
)
from models.habits import DAYS

TODAY = 20_000
PRIOR = 100.0

unhurried = settings(deadline=None)  # the first call compiles
rings = st.lists(st.floats(0.0, 1e7), min_size=DAYS, max_size=DAYS).map(np.array)
known_days = st.integers(0, 400)
amounts = st.floats(1e-6, 1e9)


def ring_of(latest: Sequence[float]) -> NDArray[np.float64]:
    """Put days of use, the newest (yesterday's) last, where they belong."""
    ring = np.zeros(DAYS)
    for back, used in enumerate(reversed(latest)):
        ring[(TODAY - 1 - back) % DAYS] = used
    return ring


def weighed(ring: NDArray[np.float64], days: int) -> tuple[float, float, float]:
    return pace(ring, TODAY, TODAY - 1 - days, TODAY, PRIOR)


def dates(remaining: float, weeks: tuple[float, float, float]) -> list[float]:
    return [days_until(remaining, *weeks, z) for z in (Z_80, 0.0, -Z_80)]


@unhurried
@given(rings, known_days, amounts)
def test_early_is_not_after_the_median_nor_the_median_after_late(
    ring: NDArray[np.float64], days: int, remaining: float
) -> None:
    early, median, late = dates(remaining, weighed(ring, days))
    assert 0.0 <= early <= median <= late
    assert late <= HORIZON_DAYS or math.isinf(late)


@unhurried
@given(rings, known_days, amounts, amounts)
def test_more_to_go_is_never_sooner(
    ring: NDArray[np.float64], days: int, one: float, other: float
) -> None:
    weeks = weighed(ring, days)
    less, more = (dates(amount, weeks) for amount in sorted((one, other)))
    assert all(sooner <= later for sooner, later in zip(less, more, strict=True))


@unhurried
@given(rings, known_days, amounts, st.integers(0, DAYS - 1), st.floats(0.0, 1e7))
def test_more_use_on_any_day_never_moves_the_median_back(
    ring: NDArray[np.float64], days: int, remaining: float, place: int, extra: float
) -> None:
    busier = ring.copy()
    busier[place] += extra
    weeks, others = weighed(ring, days), weighed(busier, days)
    assert others[0] >= weeks[0]
    assert dates(remaining, others)[1] <= dates(remaining, weeks)[1]


@unhurried
@given(
    st.floats(1e-3, 1e6),
    st.floats(1.0, 1e3),
    st.floats(0.0, 1.0),
    st.floats(0.5, 4.0),
    amounts,
)
def test_at_the_same_unrest_a_higher_pace_is_never_later(
    per_day: float, faster: float, known: float, restless: float, remaining: float
) -> None:
    slow = dates(remaining, (per_day, known, restless))
    fast = dates(remaining, (per_day * faster, known, restless))
    assert all(sooner <= later for sooner, later in zip(fast, slow, strict=True))


@unhurried
@given(
    st.lists(st.floats(-1e300, 1e300) | st.just(math.nan), min_size=DAYS, max_size=DAYS),
    st.integers(0, 2 * DAYS),
    st.integers(-5, 2 * DAYS),
    amounts,
)
def test_no_ring_makes_a_date_that_is_no_number(
    ring: list[float], first_back: int, newest_back: int, remaining: float
) -> None:
    weeks = pace(np.array(ring), TODAY - newest_back, TODAY - first_back, TODAY, PRIOR)
    assert not any(math.isnan(number) for number in (*weeks, *dates(remaining, weeks)))


def test_of_a_truck_not_yet_seen_the_assumed_pace_holds() -> None:
    weeks = weighed(np.full(DAYS, 7e6), 0)
    assert weeks == (PRIOR, PRIOR_VARIANCE, 1.0)
    early, median, late = dates(3_000.0, weeks)
    assert median == pytest.approx(30.0, abs=1e-6)
    # ln 2 is the variance of the log-normal whose relative variance is one.
    assert early < 30.0 * math.exp(-0.9 * math.sqrt(math.log(2.0)))
    assert late > 30.0 * math.exp(0.9 * math.sqrt(math.log(2.0)))


def test_after_three_days_its_own_pace_counts_most() -> None:
    level, variance, restless = weighed(ring_of([400.0, 400.0, 400.0]), 3)
    gain = (PRIOR_VARIANCE + WANDER * 3 / 7) / (
        PRIOR_VARIANCE + WANDER * 3 / 7 + WEEK_VARIANCE * 7 / 3
    )
    assert level == pytest.approx(100.0 + gain * 300.0)
    assert 300.0 < level < 400.0
    assert variance < 0.4 * PRIOR_VARIANCE
    assert restless == 1.0


def test_weekends_do_not_matter() -> None:
    week = [100.0] * 5 + [0.0, 0.0]
    latest = (week * 12)[-83:]
    levels = [weighed(ring_of(latest[:end]), end)[0] for end in range(70, 84)]
    assert levels == pytest.approx([500.0 / 7.0] * 14, rel=0.02)


def test_an_even_truck_is_forecast_to_the_day_and_closer_when_nearer() -> None:
    weeks = weighed(ring_of([50.0] * 83), 83)
    assert weeks[0] == pytest.approx(50.0, rel=2e-3)
    widths = []
    for days in (7.0, 30.0, 90.0, 360.0):
        early, median, late = dates(50.0 * days, weeks)
        assert median == pytest.approx(days, rel=2e-3)
        widths.append((late - early) / days)
    assert widths[0] < 1.5
    assert widths[1] < 1.0


def test_a_restless_truck_gets_a_wider_interval() -> None:
    even = weighed(ring_of([50.0] * 83), 83)
    uneven = weighed(ring_of(([100.0] * 7 + [0.0] * 7) * 5 + [50.0] * 13), 83)
    assert uneven[2] > 1.5 * even[2]


def test_recent_weeks_count_more() -> None:
    rising = weighed(ring_of([50.0] * 55 + [100.0] * 28), 83)[0]
    falling = weighed(ring_of([100.0] * 55 + [50.0] * 28), 83)[0]
    assert rising > 85.0
    assert falling < 65.0


def test_a_truck_at_rest_is_not_due_within_five_years() -> None:
    weeks = weighed(np.zeros(DAYS), 83)
    assert weeks[0] < 2.0
    assert math.isinf(dates(50_000.0, weeks)[1])
    assert dates(50_000.0, (0.0, 0.1, 1.0)) == [math.inf] * 3


def test_nothing_left_is_due_now() -> None:
    weeks = weighed(ring_of([50.0] * 83), 83)
    assert dates(0.0, weeks) == dates(-5.0, weeks) == [0.0, 0.0, 0.0]
