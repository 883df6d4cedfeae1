"""The odometer as a witness: jumps, resets, rollovers, another cluster, absence, a counter that is stuck."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.layout import record
from models.units import KM_PER_MILE
from tests.models.fills import fill_params, run
from tests.models.test_distance import drive
from tests.recorded import HOUR_MS, MINUTE_MS, NOON_MS, Sample

MILLION_MI_KM = 1_000_000.0 * KM_PER_MILE


def travelled(samples: Sequence[Sample], **installed: float) -> Any:
    """Give the state of the distance after samples."""
    return record(run(fill_params(), samples, **installed)).truck.account.travel


def later(samples: Sequence[Sample], hours: float) -> list[dict[str, float]]:
    return [{**one, "time_ms": one["time_ms"] + hours * HOUR_MS} for one in samples]


def driven(travel: Any) -> float:
    return float(travel.distance_km + travel.distance_rest)


@pytest.mark.parametrize("speed_km_h", [60.0, None])
@pytest.mark.parametrize("wild", [0.0, 0.5, 99.9, 103.9, 140.0, 101_000.0, 9_999_999.0])
def test_one_wild_reading_adds_no_distance(wild: float, speed_km_h: float | None) -> None:
    odometers = [100.0, 101.0, 102.0, wild, 104.0, 105.0]
    travel = travelled(drive([*odometers], speed_km_h=speed_km_h))
    assert driven(travel) == pytest.approx(5.0)
    assert (travel.breaks, travel.unseen_km) == (0, 0.0)


@pytest.mark.parametrize("wild", [40.0, 150.0, 250.0, 9_999_999.0])
def test_one_wild_reading_after_a_gap_adds_no_distance(wild: float) -> None:
    travel = travelled(drive([100.0, 101.0]) + later(drive([wild, 101.0, 102.0]), 2.0))
    assert driven(travel) == pytest.approx(2.0)
    assert (travel.breaks, travel.unseen_km, travel.fluid_unseen_km) == (0, 0.0, 0.0)
    assert travel.odometer.wild == 1


@pytest.mark.parametrize("wild", [0.4, 1_700.0, 9_000_000.0])
def test_a_wild_first_reading_is_no_beginning(wild: float) -> None:
    travel = travelled(drive([wild, 1500.0, 1501.0]), installed_odometer_km=1000.0)
    assert driven(travel) == pytest.approx(501.0)
    assert travel.unseen_km == pytest.approx(500.0)


def test_an_implausible_step_by_which_the_next_go_on_is_another_counter() -> None:
    samples = drive([1000.0, 1001.0, 70_000.0, 70_001.0, 70_002.0], speed_km_h=60.0)
    travel = travelled(samples)
    assert driven(travel) == pytest.approx(4.0)  # speed tells the step between the two
    assert (travel.breaks, travel.unknown_breaks) == (1, 0)
    assert travel.last_break_ms == NOON_MS + 2 * MINUTE_MS


@pytest.mark.parametrize("after", [3.0, 300_000.0])
def test_over_another_counter_without_speed_the_distance_is_unknown(after: float) -> None:
    travel = travelled(drive([1000.0, 1001.0, after, after + 1.0]))
    assert driven(travel) == pytest.approx(2.0)
    assert (travel.breaks, travel.unknown_breaks) == (1, 1)


def test_a_cluster_replaced_in_the_shop_adds_nothing_but_is_counted() -> None:
    before, after = drive([1000.0, 1001.0]), drive([50_000.0, 50_001.0])
    travel = travelled(before + later(after, 30.0))
    assert driven(travel) == pytest.approx(2.0)
    assert (travel.breaks, travel.unknown_breaks, travel.unseen_km) == (1, 1, 0.0)
    assert travel.last_break_ms == NOON_MS + 30 * HOUR_MS


@pytest.mark.parametrize(
    ("before", "after", "km"),
    [
        ([999_998.5, 999_999.5], [0.5, 1.5], 3.0),
        ([999_998.9, 999_999.9], [0.0, 1.0], 2.1),
        ([MILLION_MI_KM - 1.5, MILLION_MI_KM - 0.5], [0.5, 1.5], 3.0),
    ],
)
def test_a_counter_that_passes_its_last_figure_goes_on(
    before: list[float], after: list[float], km: float
) -> None:
    travel = travelled(drive([*before, *after]))
    assert driven(travel) == pytest.approx(km)
    assert (travel.rollovers, travel.breaks) == (1, 0)
    over = travelled(drive([*before]) + later(drive([60.0 + one for one in after]), 2.0))
    assert driven(over) == pytest.approx(km + 60.0)
    assert over.unseen_km == pytest.approx(km + 58.0)
    assert (over.rollovers, over.breaks) == (1, 0)


def test_a_counter_that_comes_back_says_how_far_the_time_without_was() -> None:
    silent: list[float | None] = [None] * 28
    travel = travelled(drive([100.0, 101.0, *silent, 132.0, 133.0], speed_km_h=60.0))
    assert driven(travel) == pytest.approx(33.0)
    assert (travel.breaks, travel.unseen_km) == (0, 0.0)


def test_a_counter_that_did_not_count_while_it_was_away_takes_nothing_back() -> None:
    silent: list[float | None] = [None] * 28
    travel = travelled(drive([100.0, 101.0, *silent, 101.5, 102.5], speed_km_h=60.0))
    assert driven(travel) == pytest.approx(31.0)
    assert (travel.breaks, travel.unknown_breaks) == (1, 0)


@pytest.mark.parametrize("stands_at", [0.0, 4321.0])
def test_a_counter_that_stands_while_the_truck_drives_gives_way_to_speed(
    stands_at: float,
) -> None:
    travel = travelled(drive([stands_at] * 61, speed_km_h=60.0))
    assert driven(travel) == pytest.approx(60.0)
    assert travel.stuck == (1 if stands_at > 0.0 else 0)  # at zero it is not there at all


def test_a_stuck_counter_that_moves_again_is_believed_again() -> None:
    stuck = [1000.0, *([1001.0] * 20)]
    travel = travelled(drive([*stuck, 1002.0, 1003.0, 1004.5], speed_km_h=60.0))
    assert (travel.stuck, travel.breaks, travel.odometer.stuck) == (1, 1, 0)
    assert driven(travel) == pytest.approx(23.5)


def test_a_counter_sent_late_in_one_piece_agrees_with_speed() -> None:
    travel = travelled(drive([1000.0, *([1001.0] * 20), 1021.5, 1022.5], speed_km_h=60.0))
    assert (travel.stuck, travel.breaks) == (1, 0)
    assert driven(travel) == pytest.approx(22.5)


def test_five_kilometres_at_one_figure_are_not_yet_stuck() -> None:
    travel = travelled(drive([1000.0, *([1001.0] * 5), 1006.0], speed_km_h=60.0))
    assert travel.stuck == 0
    assert driven(travel) == pytest.approx(6.0)


def test_a_stuck_counter_does_not_say_that_a_gap_was_parked() -> None:
    stuck = drive([1000.0] * 12, speed_km_h=60.0)
    travel = travelled(stuck + later(stuck, 0.5))
    assert travel.unseen_s == pytest.approx(30.0 * 60.0 - 11.0 * 60.0)


def test_a_speed_sensor_that_says_zero_does_not_hide_what_the_counter_says() -> None:
    travel = travelled(drive([100.0 + row for row in range(31)], speed_km_h=0.0))
    assert driven(travel) == pytest.approx(30.0)
    fast = travelled(drive([100.0 + 3.0 * row for row in range(31)], speed_km_h=0.0))
    # Each step of 3 km waits for the next: the last has none.
    assert driven(fast) == pytest.approx(87.0, abs=3.0 + 1e-9)
    assert fast.breaks == 0


def test_towing_is_counted_of_what_is_known_with_and_without_a_trailer() -> None:
    with_it = [{**one, "trailer": 1.0} for one in drive([100.0, 101.0, 102.0])]
    without = [{**one, "trailer": 0.0} for one in later(drive([103.0, 104.0]), 0.05)]
    silent = later(drive([180.0, 181.0, 182.0]), 2.0)
    travel = travelled(with_it + without + silent)
    assert driven(travel) == pytest.approx(82.0)
    assert travel.towing_km == pytest.approx(2.0)
    assert travel.trailer_known_km == pytest.approx(4.0)


steady = [100.0 + row for row in range(20)]


@settings(max_examples=400, deadline=None)
@given(
    st.integers(2, 17),  # two readings make the beginning
    st.floats(0.0, 10_000_000.0) | st.floats(90.0, 130.0),
    st.sampled_from([None, 60.0]),
    st.sampled_from([0.0, 3.0]),
)
def test_no_wild_reading_anywhere_moves_the_distance(
    row: int, wild: float, speed_km_h: float | None, gap_h: float
) -> None:
    odometers: list[float | None] = [*steady]
    odometers[row] = wild
    samples = drive(odometers, speed_km_h=speed_km_h)
    samples = samples[:row] + later(samples[row:], gap_h)
    travel = travelled(samples)
    assert driven(travel) == pytest.approx(19.0)
    assert travel.breaks == 0


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.0, 10_000_000.0), st.sampled_from([1, 400])), max_size=30)
)
def test_whatever_a_counter_says_distance_is_finite_and_not_negative(
    readings: list[tuple[float, int]],
) -> None:
    now_ms, samples = NOON_MS, []
    for odometer, step_s in readings:
        now_ms += step_s * 1000
        samples.append({"time_ms": float(now_ms), "odometer_km": odometer, "speed_km_h": 50.0})
    travel = travelled(samples)
    assert math.isfinite(driven(travel))
    assert driven(travel) >= -1e-6
    assert travel.unseen_km >= 0.0
