"""What nights and steps say of a bias: two explanations side by side, honest odds, and their repair."""

from __future__ import annotations

import math
from collections.abc import Sequence
from random import Random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.layout import blank, dtype_of, record
from models.sensor_night import (
    LIKE_COOLANT,
    MOST_LOG,
    NIGHT_SD_K,
    OWN_SD_K,
    PRIOR_LOG,
    Nights,
    open_nights,
    p_off,
    weigh_night,
    weigh_step,
)
from models.sensor_others import NIGHTS, Others, compare_others

NAN = math.nan
SURE = 0.95


def nights(
    *shown_k: float,
    air_c: float = 5.0,
    coolant_c: float = 5.0,
    fluid_warmed_k: float = 0.0,
    coolant_warmed_k: float = 0.0,
) -> Any:
    """Weigh nights on which the fluid read so much above the others [K]."""
    state = record(blank(dtype_of(Nights)))
    open_nights(state, OWN_SD_K)
    for off_k in shown_k:
        weigh_night(state, 5.0 + off_k, coolant_c, air_c, fluid_warmed_k, coolant_warmed_k)
    return state


def test_before_any_night_nothing_is_known() -> None:
    assert p_off(record(blank(dtype_of(Nights)))) == 0.0
    assert p_off(nights()) == 0.0  # off by nothing


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_two_nights_that_agree_are_strong_where_one_is_not(sign: float) -> None:
    assert p_off(nights(sign * 9.0)) < 0.5
    assert p_off(nights(sign * 9.0, sign * 9.5, sign * 9.0)) > SURE
    assert p_off(nights(sign * 25.0)) > SURE


def test_a_fault_after_healthy_nights_stands_out_more() -> None:
    before = nights(0.2, -0.3, 0.1, 0.4, 0.0)
    weigh_night(before, 5.0 + 8.0, 5.0, 5.0)
    assert p_off(before) > p_off(nights(8.0))


def test_one_misleading_night_is_forgiven() -> None:
    found = nights(0.3, -0.2, 9.0, 0.1, 0.2)
    assert p_off(found) < 0.01
    assert abs(found.own_k) < 1.0


def test_a_truck_whose_nights_are_always_a_little_off_is_not_accused() -> None:
    assert p_off(nights(*[3.0] * 50)) < 0.5


def test_drift_is_seen_as_drift() -> None:
    assert nights(0.0, 8.0, 18.0, 30.0).drifted >= 1
    assert nights(9.0, 9.2, 8.8).drifted == 0


def test_a_mended_sensor_clears_itself() -> None:
    found = nights(0.0, 11.0, 11.0, 11.0)
    assert p_off(found) > SURE
    for _ in range(4):
        weigh_night(found, 5.0, 5.0, 5.0)
    assert p_off(found) < 0.5


@pytest.mark.parametrize(("coolant_c", "air_c"), [(NAN, 5.0), (5.0, NAN), (12.0, 0.0)])
def test_alone_or_at_odds_the_others_count_less(coolant_c: float, air_c: float) -> None:
    plain = nights(10.0, 10.0)
    doubtful = nights(10.0, 10.0, coolant_c=coolant_c, air_c=air_c)
    assert p_off(doubtful) < p_off(plain)


def test_a_night_without_anything_to_compare_with_is_none() -> None:
    state = nights(1.0)
    before = state.tobytes()
    weigh_night(state, 40.0, NAN, NAN)
    weigh_night(state, NAN, 5.0, 5.0)
    assert state.tobytes() == before


# What the engine may have warmed before it was read.

READS_HOT, READS_COLD = (20.0, 22.0, 21.0), (-20.0, -22.0, -21.0)
warmed = st.floats(0.0, 200.0)
others = st.sampled_from([(5.0, 5.0), (NAN, 5.0), (5.0, NAN), (9.0, 3.0)])


def test_fluid_that_reads_too_hot_but_may_have_been_warmed_is_not_told() -> None:
    assert p_off(nights(*READS_HOT)) > SURE
    assert p_off(nights(*READS_HOT, fluid_warmed_k=30.0)) < 0.5


def test_fluid_that_reads_too_cold_beside_coolant_that_may_have_been_warmed_is_not_told() -> (
    None
):
    assert p_off(nights(*READS_COLD)) > SURE
    assert p_off(nights(*READS_COLD, coolant_warmed_k=30.0)) < 0.5


@given(st.lists(st.floats(-60.0, -10.0), max_size=5), warmed, others)
def test_no_warming_of_the_fluid_makes_it_read_too_cold(
    shown: Sequence[float], warmed_k: float, other_c: tuple[float, float]
) -> None:
    coolant_c, air_c = other_c
    cold = nights(*shown, coolant_c=coolant_c, air_c=air_c)
    late = nights(*shown, coolant_c=coolant_c, air_c=air_c, fluid_warmed_k=warmed_k)
    assert late.tobytes() == cold.tobytes()


@given(st.lists(st.floats(10.0, 60.0), min_size=1, max_size=1), warmed, others)
def test_no_warming_of_the_coolant_makes_the_fluid_read_too_hot(
    shown: Sequence[float], warmed_k: float, other_c: tuple[float, float]
) -> None:
    coolant_c, air_c = other_c
    hot = nights(*shown, coolant_c=coolant_c, air_c=air_c)
    late = nights(*shown, coolant_c=coolant_c, air_c=air_c, coolant_warmed_k=warmed_k)
    assert late.tobytes() == hot.tobytes()


NEXT_TO_NOTHING = 0.01


@given(st.floats(8.0, 60.0), warmed, st.floats(0.0, 50.0))
def test_the_later_it_was_read_the_less_a_night_accuses(
    shown_k: float, warmed_k: float, more_k: float
) -> None:
    for sign, what in ((1.0, "fluid_warmed_k"), (-1.0, "coolant_warmed_k")):
        early, late = (
            p_off(nights(sign * shown_k, **{what: one}))
            for one in (warmed_k, warmed_k + more_k)
        )
        assert late <= max(early + 1e-9, NEXT_TO_NOTHING)


def width_k2(shown_k: float, **how: float) -> float:
    """Give how uncertain a single night was taken to be [K²]: by how much it narrowed what is sought."""
    before, after = nights().off_var, nights(shown_k, **how).off_var
    return float(1.0 / (1.0 / after - 1.0 / before))


@pytest.mark.parametrize(
    ("which", "share"),
    [
        ({}, LIKE_COOLANT),
        ({"air_c": NAN}, 1.0),  # coolant alone: all of its warmth is in what is expected
        ({"coolant_c": NAN}, 0.0),  # and none where there is only air
    ],
)
def test_the_coolants_warming_counts_as_far_as_the_fluid_is_held_against_coolant(
    which: dict[str, float], share: float
) -> None:
    wider = width_k2(-20.0, coolant_warmed_k=10.0, **which) - width_k2(-20.0, **which)
    assert wider == pytest.approx((10.0 * share) ** 2, abs=1e-6)


@pytest.mark.parametrize("which", [{}, {"air_c": NAN}, {"coolant_c": NAN}])
def test_all_of_the_fluids_warming_counts_whatever_it_is_held_against(
    which: dict[str, float],
) -> None:
    wider = width_k2(20.0, fluid_warmed_k=10.0, **which) - width_k2(20.0, **which)
    assert wider == pytest.approx(100.0, abs=1e-6)


# A night that misled, and a sensor that is off by little.


ORDINARY = (2.5, -1.0, 1.0)
MISLED = [(1.0, 19.0), (0.5, -0.5, 12.0, 12.0)]


def after_ordinary(misled: Sequence[float]) -> Any:
    return nights(*misled, *ORDINARY)


@pytest.mark.parametrize("misled", MISLED)
def test_after_nights_that_misled_ordinary_ones_take_the_doubt_back(
    misled: Sequence[float],
) -> None:
    assert p_off(nights(*misled)) > SURE
    assert after_ordinary(misled).log_odds < PRIOR_LOG + 2.0


@pytest.mark.parametrize("misled", MISLED)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_and_the_next_mild_night_accuses_nobody(misled: Sequence[float], sign: float) -> None:
    found = nights(*(sign * one for one in (*misled, *ORDINARY, 6.0)))
    assert p_off(found) < 0.5


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_sensor_that_goes_off_and_stays_off_is_told_and_remains_told(sign: float) -> None:
    found = nights(0.4, -0.3, 0.2)
    for night in range(30):
        weigh_night(found, 5.0 + sign * 8.0, 5.0, 5.0)
        assert night < 2 or p_off(found) > SURE
    assert abs(found.off_k - found.own_k) == pytest.approx(8.0, abs=1.0)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(
    "shown_k", [(0.0,) * 5 + (6.0,) * 3, (0.0,) * 5 + (6.0,) * 50, (8.0,) * 50]
)
def test_a_bias_that_stays_is_told_whether_it_is_small_or_was_always_there(
    shown_k: Sequence[float], sign: float
) -> None:
    assert p_off(nights(*(sign * one for one in shown_k))) > SURE


@given(
    st.lists(st.floats(-60.0, 60.0), max_size=12),
    st.floats(0.0, 300.0),
    st.floats(0.0, 300.0),
    others,
)
def test_however_late_it_was_read_odds_stay_in_their_bounds(
    shown: Sequence[float], fluid_k: float, coolant_k: float, other_c: tuple[float, float]
) -> None:
    coolant_c, air_c = other_c
    found = nights(
        *shown,
        coolant_c=coolant_c,
        air_c=air_c,
        fluid_warmed_k=fluid_k,
        coolant_warmed_k=coolant_k,
    )
    assert PRIOR_LOG <= found.log_odds <= MOST_LOG
    assert found.own_var > 0.0
    assert found.off_var > 0.0


@given(st.lists(st.floats(-60.0, 60.0), max_size=20))
def test_odds_stay_in_their_bounds_and_do_not_care_for_the_sign(shown: Sequence[float]) -> None:
    up, down = nights(*shown), nights(*[-one for one in shown])
    assert PRIOR_LOG <= up.log_odds <= MOST_LOG
    assert 0.0 <= p_off(up) <= 1.0
    assert up.log_odds == pytest.approx(down.log_odds, abs=1e-6)
    assert up.own_var > 0.0
    assert up.off_var > 0.0


def test_twenty_truck_years_of_healthy_nights_raise_nothing() -> None:
    # Nights as the model has them, one in a hundred off by a warm hall: each truck a year long.
    rng = Random(3)
    worst = 0.0
    for _ in range(20):
        own = rng.gauss(0.0, 1.0)
        state = nights()
        for _ in range(365):
            sd = 4.0 if rng.random() < 0.01 else NIGHT_SD_K
            weigh_night(state, 5.0 + own + rng.gauss(0.0, sd), 5.0, 5.0)
            worst = max(worst, p_off(state))
    assert worst < SURE


def test_a_step_that_is_sure_is_believed_at_once_and_taken_back_by_its_opposite() -> None:
    state = nights()
    assert weigh_step(state, 8.0, 25.0, 10.0)
    assert p_off(state) > SURE
    assert state.off_k == 8.0
    assert weigh_step(state, -8.0, 25.0, 10.0)
    assert p_off(state) == 0.0


@pytest.mark.parametrize(("step_k", "evidence"), [(8.0, 5.0), (2.0, 30.0), (8.0, -3.0)])
def test_a_weak_or_a_small_step_moves_nothing(step_k: float, evidence: float) -> None:
    state = nights()
    before = state.tobytes()
    assert not weigh_step(state, step_k, evidence, 10.0)
    assert state.tobytes() == before


def odd(*readings: tuple[float, float, float]) -> Any:
    """Compare (fluid, coolant, air) night after night."""
    others = record(blank(dtype_of(Others)))
    for one in readings:
        compare_others(others, *one)
    return others


def test_the_odd_one_of_three_is_named_after_some_nights() -> None:
    frozen_air = odd(*[(5.0, 6.0, -40.0)] * NIGHTS)
    assert (frozen_air.air_nights, frozen_air.coolant_nights) == (-NIGHTS, 0)
    cold_coolant = odd(*[(20.0, -40.0, 21.0)] * NIGHTS)
    assert (cold_coolant.air_nights, cold_coolant.coolant_nights) == (0, -NIGHTS)


def test_a_heated_engine_accuses_nobody() -> None:
    assert odd(*[(5.0, 60.0, 5.0)] * 9).coolant_nights == 0


def test_one_night_that_agrees_takes_it_back() -> None:
    assert odd(*[(5.0, 5.0, 30.0)] * 2, (5.0, 5.0, 6.0)).air_nights == 0


def test_with_two_nobody_is_the_odd_one() -> None:
    assert odd(*[(5.0, NAN, 40.0)] * 9, *[(5.0, 40.0, NAN)] * 9).air_nights == 0
