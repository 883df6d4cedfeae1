"""Minutes until a limit: right on a circuit worked by hand, whatever the sensor and the sample period."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.layout import blank, dtype_of, record
from models.time_to_limit import (
    LONGEST_SPAN_S,
    Rise,
    RiseParams,
    follow,
    minutes_to,
    seconds_to,
    time_constant_s,
)
from models.view import View
from tests.recorded import NOON_MS

Trace = Callable[[float], float]

CAPACITY, CASE, COOLER, AIR_C = 95e3, 30.0, 170.0, 30.0
FULL_OPEN_C = 96.0


def params() -> Any:
    made = record(blank(dtype_of(RiseParams)))
    made.heat_capacity_j_k, made.case_w_k, made.cooler_w_k = CAPACITY, CASE, COOLER
    return made


def stuck_shut(heat_w: float) -> Trace:
    """The exact climb of the reference circuit from 96 °C with nothing going to the cooler."""
    end_c, tau_s = AIR_C + heat_w / CASE, CAPACITY / CASE
    return lambda second: end_c + (FULL_OPEN_C - end_c) * math.exp(-second / tau_s)


def followed(
    trace: Trace,
    seconds: float,
    *,
    period_s: float = 10.0,
    resolution_k: float = 0.1,
    heat_w: Trace = lambda _: 6000.0,
) -> tuple[Any, int]:
    """Read a trace as a gateway would; give what is known of its rise, and when [Unix ms]."""
    rise, view = record(blank(dtype_of(Rise))), record(blank(dtype_of(View)))
    view.rpm = 1800.0
    for step in range(int(seconds / period_s) + 1):
        second = step * period_s
        view.time_ms = NOON_MS + round(1000.0 * second)
        view.fluid_dt_s = period_s if step else 0.0
        view.fluid_c = resolution_k * round(trace(second) / resolution_k)
        view.heat_w = heat_w(second)
        follow(rise, view, 60.0)
    return rise, int(view.time_ms)


def left(rise: Any, now_ms: int, limit_c: float, carried: float) -> tuple[float, float, float]:
    return minutes_to(params(), rise, now_ms, limit_c, carried)


# Reference circuit worked by hand (95 kJ/K, case 30 W/K, air 30 °C, valve stuck shut), from 96 °C.
WORKED = [
    (6.0, 110.0, 5.8),
    (6.0, 121.0, 10.9),
    (6.0, 135.0, 18.2),
    (6.0, 150.0, 27.2),
    (12.0, 110.0, 2.3),
    (12.0, 121.0, 4.1),
    (12.0, 135.0, 6.6),
    (12.0, 150.0, 9.3),
]


@pytest.mark.parametrize(("heat_kw", "limit_c", "minutes"), WORKED)
def test_the_approach_agrees_with_the_climb_worked_by_hand(
    heat_kw: float, limit_c: float, minutes: float
) -> None:
    slope_k_s = (1000.0 * heat_kw - CASE * (FULL_OPEN_C - AIR_C)) / CAPACITY
    tau_s = time_constant_s(params(), 0.0)
    assert seconds_to(limit_c - FULL_OPEN_C, slope_k_s, tau_s) / 60.0 == pytest.approx(
        minutes, abs=0.051
    )


@pytest.mark.parametrize(("heat_kw", "limit_c", "minutes"), WORKED)
@pytest.mark.parametrize("period_s", [1.0, 5.0, 10.0, 30.0])
@pytest.mark.parametrize("resolution_k", [0.1, 1.0])
def test_a_stuck_climb_is_foretold_from_its_readings(
    heat_kw: float, limit_c: float, minutes: float, period_s: float, resolution_k: float
) -> None:
    seconds = max(120.0, min(240.0, 36.0 * minutes))
    rise, now_ms = followed(
        stuck_shut(1000.0 * heat_kw), seconds, period_s=period_s, resolution_k=resolution_k
    )
    likely, soonest, latest = left(rise, now_ms, limit_c, 0.0)
    truth = minutes - (now_ms - NOON_MS) / 60_000.0
    off = 0.05 if resolution_k < 1.0 else 0.15
    assert likely == pytest.approx(truth, rel=off, abs=0.1)
    assert soonest <= likely <= latest


def test_where_nothing_tells_of_the_cooler_the_truth_lies_within_the_band() -> None:
    for heat_w in (6000.0, 12_000.0):
        rise, now_ms = followed(stuck_shut(heat_w), 180.0)
        truth = left(rise, now_ms, 121.0, 0.0)[0]
        likely, soonest, latest = left(rise, now_ms, 121.0, math.nan)
        assert soonest <= truth
        assert math.isnan(latest) or truth <= latest
        assert likely >= truth


def test_a_healthy_truck_that_levels_off_below_the_limit_is_not_said_to_reach_it() -> None:
    # 12 kW into the open cooler: the climb from 100 °C ends at 94 + 6 = 107 °C, far below 121 °C.
    end_c, tau_s = 107.0, CAPACITY / (CASE + COOLER)
    rise, now_ms = followed(lambda second: end_c - 7.0 * math.exp(-second / tau_s), 200.0)
    assert all(math.isnan(one) for one in left(rise, now_ms, 121.0, 1.0))
    soon = left(rise, now_ms, 105.0, 1.0)[0]
    assert 60.0 * soon == pytest.approx(tau_s * math.log(7.0 / 2.0) - 200.0, abs=60.0)


def test_no_short_pull_is_foretold() -> None:
    rise, now_ms = followed(lambda second: 100.0 + 0.2 * second, 80.0)
    assert all(math.isnan(one) for one in left(rise, now_ms, 121.0, 0.0))


def test_a_crest_ends_the_forecast_before_the_slope_does() -> None:
    def heat_w(second: float) -> float:
        return 12_000.0 if second < 240.0 else 2_000.0

    rise, now_ms = followed(stuck_shut(12_000.0), 280.0, heat_w=heat_w)
    assert rise.slope_k_s > 0.05
    assert all(math.isnan(one) for one in left(rise, now_ms, 135.0, 0.0))


def test_a_load_that_is_not_known_is_taken_to_be_held() -> None:
    rise, now_ms = followed(stuck_shut(12_000.0), 280.0, heat_w=lambda _: math.nan)
    assert left(rise, now_ms, 135.0, 0.0)[0] > 0.0


def test_one_wild_reading_moves_the_forecast_little() -> None:
    trace = stuck_shut(6000.0)
    plain, now_ms = followed(trace, 240.0)
    wild, _ = followed(lambda second: trace(second) + (40.0 if second == 120.0 else 0.0), 240.0)
    assert left(wild, now_ms, 135.0, 0.0)[0] == pytest.approx(
        left(plain, now_ms, 135.0, 0.0)[0], rel=0.15
    )


def test_a_gap_and_an_engine_at_rest_begin_anew() -> None:
    rise, _ = followed(stuck_shut(6000.0), 240.0)
    assert rise.span_s > 0.0
    view = record(blank(dtype_of(View)))
    for dt_s, rpm in ((0.0, 1800.0), (LONGEST_SPAN_S + 1.0, 1800.0), (10.0, 0.0)):
        rise, now_ms = followed(stuck_shut(6000.0), 240.0)
        view.time_ms, view.fluid_c, view.fluid_dt_s, view.rpm = now_ms, 120.0, dt_s, rpm
        follow(rise, view, 60.0)
        assert (rise.span_s, rise.blocks) == (0.0, 0)


@given(
    gap_k=st.floats(0.1, 60.0),
    slope_k_s=st.floats(1e-4, 1.0),
    tau_s=st.floats(100.0, 5000.0),
)
def test_an_approach_is_never_sooner_than_the_plain_slope(
    gap_k: float, slope_k_s: float, tau_s: float
) -> None:
    plain_s = seconds_to(gap_k, slope_k_s, math.inf)
    bent_s = seconds_to(gap_k, slope_k_s, tau_s)
    assert math.isnan(bent_s) == (gap_k >= slope_k_s * tau_s)
    assert math.isnan(bent_s) or bent_s >= plain_s * (1.0 - 1e-9)


@given(slope_k_s=st.floats(-1.0, 0.0))
def test_what_does_not_rise_gets_nowhere_and_what_is_there_is_there(slope_k_s: float) -> None:
    assert math.isnan(seconds_to(1.0, slope_k_s, 500.0))
    assert seconds_to(0.0, slope_k_s, 500.0) == 0.0
