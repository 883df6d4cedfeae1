"""From reading to reading: steps, scatter and values that hold for too long; and what none of them is."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from random import Random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.layout import blank, dtype_of, record
from models.sensor_hold import (
    CONFIRMED_S,
    LEAST_HOLDS,
    START_LOG,
    WINDOW_S,
    Hold,
    begin_hold,
    close_window,
    judge_hold,
    move,
    rested,
)
from models.sensor_noise import LEAST, MOST, Noise, usual_k, weigh_noise
from models.sensor_recent import (
    BUSY_KM_H,
    BUSY_RPM,
    KEPT,
    Recent,
    is_newest_busy,
    note_motion,
    push,
    roughness_k,
    step_evidence,
)
from models.view import View

CAPACITY_J_K = 95_000.0


def recent(readings: Iterable[tuple[float, float]], heat_w: Sequence[float] = ()) -> Any:
    """Take readings (second, °C); ``heat_w``: the most heat before each [W]."""
    state = record(blank(dtype_of(Recent)))
    for row, (second, celsius) in enumerate(readings):
        state.span_most_w = heat_w[row] if heat_w else 2_000.0
        push(state, 1000.0 * second, celsius)
    return state


def stepped(by_k: float, *, period_s: float = 10.0, slope_k_s: float = 0.0) -> Any:
    return recent(
        (period_s * row, 80.0 + slope_k_s * period_s * row + (by_k if row >= 3 else 0.0))
        for row in range(KEPT)
    )


@pytest.mark.parametrize("by_k", [6.0, -9.0])
@pytest.mark.parametrize("slope_k_s", [0.0, 0.1, -0.05])
def test_a_step_on_a_smooth_course_is_seen_with_its_size(by_k: float, slope_k_s: float) -> None:
    step_k, evidence, span_s = step_evidence(
        stepped(by_k, slope_k_s=slope_k_s), 0, CAPACITY_J_K
    )
    assert step_k == pytest.approx(by_k, abs=1.1)
    assert span_s == 10.0
    assert evidence > 10.0


@given(
    st.floats(-0.5, 0.5),
    st.sampled_from([1.0, 5.0, 10.0, 30.0]),
    st.lists(st.floats(-0.5, 0.5), min_size=KEPT, max_size=KEPT),
)
def test_steady_motion_with_rounding_is_no_step(
    slope_k_s: float, period_s: float, off: list[float]
) -> None:
    course = recent(
        (period_s * row, 80.0 + slope_k_s * period_s * row + off[row]) for row in range(KEPT)
    )
    step_k, evidence, _ = step_evidence(course, 0, CAPACITY_J_K)
    assert abs(step_k) <= 2.0
    assert evidence < 3.0


def test_heat_that_begins_explains_a_leap() -> None:
    course = [(30.0 * row, 80.0 if row < 3 else 89.0) for row in range(KEPT)]
    quiet = step_evidence(recent(course), 0, CAPACITY_J_K)
    hard = step_evidence(recent(course, [700.0] * 3 + [12_000.0] * 3), 0, CAPACITY_J_K)
    assert quiet[0] == pytest.approx(9.0)
    assert hard[1] < 0.0 < quiet[1]


def test_one_wild_reading_is_no_step() -> None:
    course = recent((10.0 * row, 95.0 if row == 3 else 80.0) for row in range(KEPT))
    assert step_evidence(course, 0, CAPACITY_J_K)[1] < 5.0


def test_too_few_readings_say_nothing() -> None:
    few = recent((10.0 * row, 80.0) for row in range(KEPT - 1))
    assert step_evidence(few, 0, CAPACITY_J_K) == (0.0, 0.0, 0.0)
    assert math.isnan(roughness_k(recent([(0.0, 80.0), (10.0, 81.0)]))[0])


@given(st.floats(-0.3, 0.3), st.floats(1.0, 60.0), st.floats(1.0, 60.0))
def test_a_straight_course_is_not_rough_however_it_is_sampled(
    slope: float, first_s: float, last_s: float
) -> None:
    at = (0.0, first_s, first_s + last_s)
    off_k, span_s = roughness_k(recent((second, 50.0 + slope * second) for second in at))
    assert off_k == pytest.approx(0.0, abs=1e-9)
    assert span_s == pytest.approx(max(first_s, last_s))


def weighed(sd_k: float, readings: int, *, seed: int = 1, period_s: float = 10.0) -> Any:
    """Weigh white noise about a slow swing."""
    rng = Random(seed)
    noise, last = record(blank(dtype_of(Noise))), record(blank(dtype_of(Recent)))
    for row in range(readings):
        celsius = 80.0 + 10.0 * math.sin(row / 40.0) + rng.gauss(0.0, sd_k)
        push(last, 1000.0 * period_s * row, celsius)
        off_k, span_s = roughness_k(last)
        weigh_noise(noise, off_k, span_s, usual_k(0, False, span_s))
    return noise


@pytest.mark.parametrize("sd_k", [4.0, 6.0, 8.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_noise_is_told_within_minutes(sd_k: float, seed: int) -> None:
    assert weighed(sd_k, 60, seed=seed).log_odds > 3.0


@pytest.mark.parametrize("period_s", [1.0, 5.0, 10.0, 30.0])
@pytest.mark.parametrize("sd_k", [0.15, 0.45])
def test_usual_noise_never_is(sd_k: float, period_s: float) -> None:
    assert weighed(sd_k, 20_000, period_s=period_s).log_odds < LEAST + 3.0


def test_a_mended_sensor_is_trusted_again() -> None:
    noise = weighed(6.0, 200)
    assert noise.log_odds == pytest.approx(MOST, abs=4.0)
    for _ in range(15):
        weigh_noise(noise, 0.2, 10.0, usual_k(0, False, 10.0))
    assert noise.log_odds < 0.0


def test_neighbours_far_apart_say_nothing_of_noise() -> None:
    noise = record(blank(dtype_of(Noise)))
    weigh_noise(noise, 8.0, 500.0, 0.5)
    weigh_noise(noise, math.nan, 10.0, 0.5)
    assert noise.started == 0


seconds = st.floats(0.1, 120.0)


@given(span_s=seconds)
def test_in_the_sump_it_is_no_matter_how_the_truck_is_driven(span_s: float) -> None:
    assert usual_k(0, True, span_s) == usual_k(0, False, span_s)


@given(span_s=seconds, more=st.floats(1.1, 10.0))
def test_beyond_it_fluid_scatters_more_and_more_still_where_load_or_gear_changed(
    span_s: float, more: float
) -> None:
    sump, steady, busy = (
        usual_k(*where, span_s) for where in ((0, True), (1, False), (1, True))
    )
    assert sump < steady < busy
    assert usual_k(1, True, more * span_s) - usual_k(1, False, more * span_s) == pytest.approx(
        more * (busy - steady)
    )


@given(busy=st.lists(st.booleans(), min_size=KEPT, max_size=3 * KEPT))
def test_what_was_driven_counts_between_the_readings_whose_scatter_is_weighed(
    busy: list[bool],
) -> None:
    """Those are three readings, with two spans between them."""
    state = record(blank(dtype_of(Recent)))
    for row, changed in enumerate(busy):
        state.span_busy = float(changed)
        push(state, 30_000.0 * row, 80.0)
    assert is_newest_busy(state) == (busy[-1] or busy[-2])


MOVES = [
    ({}, False),
    ({"rpm": BUSY_RPM}, False),
    ({"speed_km_h": -BUSY_KM_H}, False),
    ({"rpm": -BUSY_RPM - 1.0}, True),
    ({"speed_km_h": BUSY_KM_H + 0.1}, True),
    ({"lockup": -1.0}, True),
    ({"rpm": math.nan}, True),
    ({"speed_km_h": math.nan}, True),
]


@pytest.mark.parametrize(("by", "busy"), MOVES, ids=str)
def test_engine_road_speed_or_clutch_that_move_between_readings_are_such_a_change(
    by: dict[str, float], busy: bool
) -> None:
    view, state = record(blank(dtype_of(View))), record(blank(dtype_of(Recent)))
    view.rpm, view.speed_km_h, view.lockup, view.fluid_c = 1500.0, 60.0, 1.0, 80.0
    for row in range(KEPT):
        if row == KEPT - 1:
            for name, value in by.items():
                view[name] += value
        note_motion(state, view)
        push(state, 30_000.0 * row, 80.0)
    assert is_newest_busy(state) == busy


HALF_MINUTE = 30.0


def stop_and_go(seed: int) -> list[float]:
    """Fluid beyond the converter in a frosty city, two hours, read each half minute [°C].

    A truck pulls away each minute or so for some ten seconds; each time the converter's own fluid, little of
    it, rises above the sump by up to 1 K/s, and comes back with a time constant of 25 s.
    """
    rng, over_k, starts_s, ends_s, read = Random(seed), 0.0, 0.0, 0.0, []
    for second in range(7200):
        if second >= starts_s:
            ends_s = second + rng.uniform(8.0, 16.0)
            starts_s = second + rng.uniform(30.0, 80.0)
        over_k += (1.0 if second < ends_s else 0.0) - over_k / 25.0
        if second % HALF_MINUTE == 0.0:
            read.append(round(40.0 + over_k, 1))
    return read


def scattered(sd_k: float, seed: int) -> list[float]:
    rng = Random(seed)
    return [80.0 + rng.gauss(0.0, sd_k) for _ in range(240)]


def log_odds_of(read: list[float], *, busy: bool, period_s: float = HALF_MINUTE) -> float:
    """Weigh readings beyond the converter; give the highest log odds of noise on the way."""
    noise, last, highest = (
        record(blank(dtype_of(Noise))),
        record(blank(dtype_of(Recent))),
        LEAST,
    )
    for row, celsius in enumerate(read):
        push(last, 1000.0 * period_s * row, celsius)
        off_k, span_s = roughness_k(last)
        weigh_noise(noise, off_k, span_s, usual_k(1, busy, span_s))
        if noise.started == 1:
            highest = max(highest, float(noise.log_odds))
    return highest


@pytest.mark.parametrize("seed", range(8))
def test_stop_and_go_in_the_frost_is_not_taken_for_noise(seed: int) -> None:
    assert log_odds_of(stop_and_go(seed), busy=True) < 0.0
    assert log_odds_of(stop_and_go(seed), busy=False) > 3.0  # on a steady road it would be


@pytest.mark.parametrize("sd_k", [4.0, 5.0, 6.0])
@pytest.mark.parametrize("seed", range(4))
def test_real_noise_on_a_steady_road_is_told_beyond_the_converter_too(
    seed: int, sd_k: float
) -> None:
    assert log_odds_of(scattered(sd_k, seed), busy=False) > 3.0


@pytest.mark.parametrize("sd_k", [4.0, 5.0, 6.0])
@pytest.mark.parametrize("seed", range(4))
def test_and_in_stop_and_go_where_it_is_read_often(seed: int, sd_k: float) -> None:
    assert log_odds_of(scattered(sd_k, seed), busy=True, period_s=10.0) > 3.0


def held(*, honest: int = 0, step_k: float = 0.1) -> Any:
    """Begin a hold after so many honest ones of 10 s."""
    hold = record(blank(dtype_of(Hold)))
    for row in range(honest + 1):
        begin_hold(hold, 80.0 + step_k * row, 1000 * row, 3_000.0)
        if row < honest:
            move(hold, math.nan, 3_000.0, CAPACITY_J_K, 10.0)
    return hold


def drive(
    hold: Any, minutes: float, *, heat_w: float = 3_000.0, net_w: float = math.nan
) -> Any:
    """Run on with the same value."""
    for _ in range(round(6.0 * minutes)):
        hold.readings += 1
        move(hold, net_w, heat_w, CAPACITY_J_K, 10.0)
        if hold.window_s >= WINDOW_S:
            close_window(hold, 0.0, heat_w)
        judge_hold(hold, 10.0)
    return hold


def test_a_fine_sensor_that_flickered_and_now_stands_still_is_frozen() -> None:
    assert drive(held(honest=10 * LEAST_HOLDS), 8.0).log_odds > 3.0


def test_a_coarse_sensor_may_rest_at_its_balance_for_an_hour() -> None:
    assert drive(held(honest=10 * LEAST_HOLDS, step_k=1.0), 60.0).log_odds == START_LOG


def test_a_cold_truck_must_warm() -> None:
    # 6 kW above what the case sheds: 19 K in five minutes.
    assert drive(held(step_k=1.0), 35.0, net_w=6_000.0).log_odds > 3.0
    assert drive(held(step_k=1.0), 30.0, net_w=100.0).log_odds < -5.0


def test_a_change_of_value_forgets_the_suspicion() -> None:
    hold = drive(held(step_k=1.0), 30.0, net_w=6_000.0)
    begin_hold(hold, 60.0, 0, 3_000.0)
    assert hold.log_odds == START_LOG


def test_the_same_after_a_night_is_near_proof_once_the_engine_has_run() -> None:
    hold = held()
    rested(hold, 60.0)
    hold.readings = 3
    judge_hold(hold, 10.0)
    assert hold.log_odds == START_LOG  # a gateway may first send what it last had
    drive(hold, (CONFIRMED_S + 10.0) / 60.0)
    assert hold.log_odds > 0.0


@pytest.mark.parametrize("fall_k", [0.0, 5.0])
def test_a_rest_that_cools_little_says_nothing(fall_k: float) -> None:
    hold = held()
    rested(hold, fall_k)
    assert drive(hold, 5.0).log_odds == START_LOG


@given(st.lists(st.floats(-20_000.0, 20_000.0), max_size=60), st.booleans())
def test_odds_of_a_hold_only_grow_while_it_lasts(heats: list[float], closed: bool) -> None:
    hold = held(step_k=1.0)
    before = hold.log_odds
    for heat in heats:
        drive(hold, 1.0, heat_w=heat, net_w=heat if closed else math.nan)
        assert hold.log_odds >= before
        before = hold.log_odds
