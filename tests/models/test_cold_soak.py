"""The check of the fluid's sensor after a cold night, and what it says of the sensor."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.cold_soak import (
    ALONE_WEIGHT,
    COMMON_SD_K,
    NIGHT_SD_K,
    PRIOR_SD_K,
    Offset,
    check_night,
    offset_posterior,
)
from models.layout import blank, dtype_of, record
from tests.models.test_gap import HOT, account, after, counted, minutes
from tests.recorded import HOUR_MS, MINUTE_MS, NOON_MS, Sample

NAN = math.nan


def nights(*readings: tuple[float, float, float]) -> Any:
    """Give the sums after nights of (fluid, coolant, air)."""
    offset = record(blank(dtype_of(Offset)))
    for fluid_c, coolant_c, air_c in readings:
        check_night(offset, fluid_c, coolant_c, air_c)
    return offset


def test_before_any_night_the_prior_holds() -> None:
    assert offset_posterior(nights()) == (0.0, PRIOR_SD_K)


def test_fluid_is_compared_with_the_mean_of_coolant_and_air() -> None:
    offset = nights((8.0, 4.0, 6.0), (7.0, 5.0, 5.0))
    assert (offset.nights, offset.weight) == (2, 2.0)
    assert offset.sum_k == 5.0


@pytest.mark.parametrize(("coolant_c", "air_c"), [(5.0, NAN), (NAN, 5.0)])
def test_one_of_them_alone_counts_less(coolant_c: float, air_c: float) -> None:
    alone, both = nights((8.0, coolant_c, air_c)), nights((8.0, 5.0, 5.0))
    assert (alone.nights, alone.weight) == (1, ALONE_WEIGHT)
    assert offset_posterior(alone)[1] > offset_posterior(both)[1]


@pytest.mark.parametrize(
    "readings", [(8.0, NAN, NAN), (NAN, 5.0, 5.0), (8.0, 5.0, 8.1), (8.0, 40.0, 5.0)]
)
def test_a_night_that_has_not_settled_or_was_not_read_is_no_check(
    readings: tuple[float, float, float],
) -> None:
    assert nights(readings).nights == 0


def test_a_sensor_at_its_default_value_is_broken_and_not_biased() -> None:
    offset = nights((-40.0, 5.0, 5.0), (7.0, 5.0, 5.0))
    assert (offset.nights, offset.faulty) == (1, 1)
    assert offset.sum_k == 2.0


def test_the_posterior_is_that_of_the_joint_normal_distribution() -> None:
    # Bias, common error and each night's own written out as one Gaussian and conditioned.
    shown = np.array([2.0, 3.5, 1.0])
    covariance = np.full((3, 3), PRIOR_SD_K**2 + COMMON_SD_K**2) + NIGHT_SD_K**2 * np.eye(3)
    gain = np.linalg.solve(covariance, np.full(3, PRIOR_SD_K**2))
    offset = nights(*((5.0 + one, 5.0, 5.0) for one in shown))
    mean, sd = offset_posterior(offset)
    assert mean == pytest.approx(float(gain @ shown), rel=1e-12)
    assert sd == pytest.approx(math.sqrt(PRIOR_SD_K**2 * (1.0 - gain.sum())), rel=1e-12)


def test_no_number_of_nights_takes_out_what_the_other_sensors_share() -> None:
    offset = nights(*[(8.0, 5.0, 5.0)] * 5000)
    floor = 1.0 / math.sqrt(PRIOR_SD_K**-2 + COMMON_SD_K**-2)
    mean, sd = offset_posterior(offset)
    assert sd == pytest.approx(floor, rel=1e-3)
    assert mean == pytest.approx(
        3.0 * PRIOR_SD_K**2 / (PRIOR_SD_K**2 + COMMON_SD_K**2), rel=1e-3
    )


@given(st.lists(st.tuples(*[st.floats(-40.0, 60.0) | st.just(NAN)] * 3), max_size=20))
def test_a_posterior_is_never_surer_than_the_floor_nor_less_than_the_prior(
    readings: list[tuple[float, float, float]],
) -> None:
    mean, sd = offset_posterior(nights(*readings))
    assert 1.0 / math.sqrt(PRIOR_SD_K**-2 + COMMON_SD_K**-2) <= sd <= PRIOR_SD_K
    assert abs(mean) <= 15.0


def morning(hours: float = 10.0, *, late_s: float = 0.0, **signals: float) -> Any:
    """Give the sums after a night, the fluid read so long after the first sample."""
    told = {"coolant_temp_c": 20.0, "ambient_temp_c": 20.0, "fluid_temp_c": 22.0, **signals}
    first = counted(minutes(10 + 60 * hours, 1, engine_rpm=700.0, **told), km=1.0)
    if late_s > 0.0:
        blind = {name: value for name, value in first[0].items() if name != "fluid_temp_c"}
        first = [blind, {**first[0], "time_ms": first[0]["time_ms"] + 1000.0 * late_s}]
    return account(counted(HOT, km=1.0) + first).offset


def test_the_first_reading_after_a_night_is_checked() -> None:
    offset = morning()
    assert (offset.nights, offset.weight, offset.sum_k) == (1, 1.0, 2.0)
    assert morning(coolant_temp_c=NAN).weight == ALONE_WEIGHT
    assert morning(coolant_temp_c=27.0).nights == 0


@pytest.mark.parametrize(("hours", "checks"), [(7.9, 0), (8.0, 1), (60.0, 1)])
def test_a_night_is_eight_hours(hours: float, checks: int) -> None:
    assert morning(hours).nights == checks


@pytest.mark.parametrize(("late_s", "checks"), [(5.0, 1), (60.0, 1), (61.0, 0)])
def test_a_reading_counts_within_a_minute(late_s: float, checks: int) -> None:
    assert morning(late_s=late_s).nights == checks


def test_a_truck_that_ran_in_the_night_is_no_check() -> None:
    read = {"coolant_temp_c": 20.0, "fluid_temp_c": 22.0}
    ran = account(counted(HOT, km=500.0) + counted(minutes(700, 1, **read), km=580.0))
    assert ran.offset.nights == 0


def test_a_truck_that_cools_slowly_is_checked_only_once_it_has_settled() -> None:
    # A truck that has shown a time constant of three hours: eight hours leave 5 K of 70.
    samples = counted(HOT, km=1.0)
    start = 10.0
    for _ in range(40):
        start += 180.0
        end_c = 20.0 + 70.0 * math.exp(-1.0)
        samples += counted(minutes(start, 1, fluid_temp_c=end_c), km=1.0)
        samples += counted(minutes(start + 1, 1, fluid_temp_c=90.0, engine_rpm=700.0), km=1.0)
        start += 1.0
    read = {"coolant_temp_c": 20.0, "fluid_temp_c": 22.0}
    night = counted(minutes(start + 8.5 * 60.0, 1, **read), km=1.0)
    long = counted(minutes(start + 20.0 * 60.0, 1, **read), km=1.0)
    assert account(samples + night).offset.nights == 0
    assert account(samples + long).offset.nights == 1


def test_a_night_told_in_pieces_is_one_night() -> None:
    beats = [
        one
        for row in range(1, 80)
        for one in minutes(10 + 10 * row, 1, fluid_temp_c=20.5, coolant_temp_c=20.0)
    ]
    offset = account(counted(HOT + beats, km=1.0)).offset
    assert (offset.nights, offset.sum_k) == (1, 0.5)
    drive = minutes(810, 60, fluid_temp_c=80.0, engine_rpm=1500.0)
    again: list[Sample] = [
        {**one, "time_ms": one["time_ms"] + 860.0 * MINUTE_MS} for one in beats
    ]
    assert account(counted(HOT + beats + drive + again, km=1.0)).offset.nights == 2


def test_a_night_that_samples_saw_all_of_is_checked_when_the_engine_runs() -> None:
    read = {"coolant_temp_c": 20.0, "fluid_temp_c": 21.0}
    for night_min, nights_seen in ((500, 1), (470, 0)):
        off = minutes(11, night_min, engine_rpm=0.0, **read)
        on = minutes(11 + night_min, 3, engine_rpm=700.0, **read)
        offset = account(HOT + off + on).offset
        assert (offset.nights, offset.sum_k) == (nights_seen, float(nights_seen))


# How late the fluid and the coolant were read.

EVERY_S = 20.0
DRIVEN = 9
COLD = {"fluid_temp_c": 21.0, "coolant_temp_c": 20.0, "ambient_temp_c": 20.0}


def woken(*lacking: set[str], every_s: float = EVERY_S) -> list[Sample]:
    """Record ``DRIVEN`` samples, a night, and samples after it, each of which lacks some signals."""
    start_ms = float(NOON_MS)
    driven: list[Sample] = [
        {"time_ms": start_ms + 1000.0 * every_s * row, "engine_rpm": 700.0}
        | {**COLD, "fluid_temp_c": 90.0}
        for row in range(DRIVEN)
    ]
    end_ms = driven[-1]["time_ms"] + 10.0 * HOUR_MS
    after_it: list[Sample] = [
        {"time_ms": end_ms + 1000.0 * every_s * row, "engine_rpm": 700.0}
        | {name: value for name, value in COLD.items() if name not in gone}
        for row, gone in enumerate(lacking)
    ]
    return driven + after_it


def late_s(samples: list[Sample]) -> tuple[float, float]:
    """Give how late fluid and coolant were read after the one night that is seen."""
    offset = account(samples).offset
    assert offset.seen == 1
    return float(offset.fluid_late_s), float(offset.coolant_late_s)


FLUID, COOLANT = {"fluid_temp_c"}, {"coolant_temp_c"}


@pytest.mark.parametrize("every_s", [10.0, 20.0, 30.0])
def test_what_is_read_at_once_is_late_by_half_of_the_samples_spacing(every_s: float) -> None:
    assert late_s(woken(set(), every_s=every_s)) == (0.5 * every_s, 0.5 * every_s)


@pytest.mark.parametrize("blind", [1, 2, 3])
def test_fluid_that_the_first_samples_lack_is_later_by_as_long_as_it_was_not_read(
    blind: int,
) -> None:
    late = (blind + 0.5) * EVERY_S
    assert late_s(woken(*[FLUID] * blind, set())) == (late, 0.5 * EVERY_S)
    assert late_s(woken(*[FLUID | COOLANT] * blind, set())) == (late, late)


def test_coolant_that_comes_after_the_fluid_is_later_than_it() -> None:
    """The odometer has told before the night, and what comes until it tells again counts."""
    samples = woken(COOLANT, COOLANT, set(), set())
    untold = samples[DRIVEN:-1]
    told = counted(samples[:DRIVEN], km=1.0) + untold + counted(samples[-1:], km=1.0)
    assert late_s(told) == (0.5 * EVERY_S, 2.5 * EVERY_S)


def test_another_night_is_as_late_as_it_is_then() -> None:
    first = woken(FLUID | COOLANT, FLUID | COOLANT, set())
    again = woken(set())[-1:]
    second: list[Sample] = [
        {**one, "time_ms": one["time_ms"] + 24.0 * HOUR_MS} for one in again
    ]
    offset = account(first + second).offset
    assert offset.seen == 2
    assert (offset.fluid_late_s, offset.coolant_late_s) == (0.5 * EVERY_S, 0.5 * EVERY_S)


@pytest.mark.parametrize("every_s", [20.0, 60.0])
def test_after_a_night_that_samples_saw_it_is_half_of_the_span_in_which_the_engine_started(
    every_s: float,
) -> None:
    off = minutes(11, 500, engine_rpm=0.0, **COLD)
    on_ms = off[-1]["time_ms"] + 1000.0 * every_s
    on: list[Sample] = [{**off[-1], "time_ms": on_ms, "engine_rpm": 700.0}]
    assert late_s(HOT + off + on) == (0.5 * every_s, 0.5 * every_s)


def test_after_does_not_depend_on_how_hot_the_truck_was() -> None:
    assert account(HOT + after(10, 21.0, coolant_temp_c=20.0)).offset.nights == 1
