"""Which limit comes first, and when."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from models.due import EASY_KM, HARD_KM, TRAILER_PRIOR_KM, Due, due_of
from models.fleet import CHART, Limits, Vehicle
from models.kernel import STATE
from models.layout import blank, record
from models.parameters import parameters
from models.units import KM_PER_MILE
from tests.models.entries import count, entry
from tests.models.fills import run
from tests.models.roads import DAY_MS, FIRST_MS, START_KM, days_out
from tests.recorded import Sample

FOREVER = 36_500.0


def params_of(
    distance_km: float | None = None,
    days: float | None = None,
    life_share: float | None = None,
) -> NDArray[Any]:
    limits = Limits(
        service_distance_km=distance_km, service_days=days, service_life_share=life_share
    )
    vehicle = Vehicle(name="NF-01", limits=limits)
    return parameters(vehicle, CHART, max_gap_s=300.0, silent_after_s=1e9)


def due_after(
    params: NDArray[Any], samples: list[Sample], day: float, *entries: NDArray[Any]
) -> Due:
    """Say what is due so many days after the first, when these samples have come."""
    state = run(params, samples, installed_ms=FIRST_MS, installed_odometer_km=START_KM)
    count(params, state, *entries)
    return due_of(record(params), record(state), FIRST_MS + round(day * DAY_MS))


def steady(days: int, km: float = 100.0, **numbers: float) -> list[Sample]:
    return list(days_out([km] * days, **numbers))  # type: ignore[arg-type] # numbers by name


def day_of(time_ms: int | None) -> float:
    return math.inf if time_ms is None else (time_ms - FIRST_MS) / DAY_MS


def test_an_even_truck_is_due_by_distance_when_it_will_have_driven_it() -> None:
    due = due_after(
        params_of(distance_km=7_000.0, days=FOREVER), steady(50, celsius=60.0), 50.0
    )
    assert (due.reason, due.overdue) == ("distance", False)
    assert due.distance_km == pytest.approx(5_000.0)
    assert due.distance_limit_km == 7_000.0
    assert due.share == due.share_by_distance == pytest.approx(5_000.0 / 7_000.0)
    assert day_of(due.median_ms) == pytest.approx(70.0, abs=0.2)
    assert 60.0 < day_of(due.early_ms) < 70.0 < day_of(due.late_ms) < 90.0


def test_by_heat_it_is_due_when_the_life_is_used() -> None:
    samples = steady(40, celsius=120.0)
    due = due_after(params_of(distance_km=1e6, days=FOREVER), samples, 40.0)
    assert due.reason == "heat"
    pace = due.share_by_heat / 40.0
    assert day_of(due.median_ms) == pytest.approx(1.0 / pace, rel=0.02)
    half = due_after(params_of(distance_km=1e6, days=FOREVER, life_share=0.5), samples, 40.0)
    assert half.share_by_heat == pytest.approx(2.0 * due.share_by_heat)
    assert day_of(half.median_ms) == pytest.approx(0.5 / pace, rel=0.02)


def test_a_limit_beyond_the_life_counts_that_it_oxidises_faster_there() -> None:
    samples = steady(40, celsius=120.0)
    one, double = (
        due_after(params_of(distance_km=1e6, days=FOREVER, life_share=share), samples, 40.0)
        for share in (1.0, 1.0 + CHART.oxidation_factor)
    )
    assert day_of(double.median_ms) == pytest.approx(2.0 * day_of(one.median_ms), rel=0.02)


def test_an_age_is_known_to_the_day() -> None:
    due = due_after(params_of(distance_km=1e6, days=60.0), steady(30, celsius=60.0), 30.0)
    assert due.reason == "age"
    assert due.median_ms == due.early_ms == due.late_ms == FIRST_MS + 60 * DAY_MS
    assert due.share_by_age == pytest.approx(0.5)
    assert (due.age_days, due.age_limit_days) == (30.0, 60.0)


def test_the_age_cuts_off_what_the_others_leave_open() -> None:
    params = params_of(distance_km=7_000.0, days=72.0)
    due = due_after(params, steady(50, celsius=60.0), 50.0)
    assert due.reason == "distance"
    assert day_of(due.median_ms) == pytest.approx(70.0, abs=0.2)
    assert day_of(due.late_ms) == 72.0


def test_every_end_is_that_of_the_limit_which_comes_first() -> None:
    samples = steady(40, celsius=120.0)
    heat, distance, both = (
        due_after(params_of(distance_km=km, days=FOREVER, life_share=share), samples, 40.0)
        for km, share in ((1e6, 1.0), (30_000.0, 2.0**9), (30_000.0, 1.0))
    )
    for end in ("early_ms", "median_ms", "late_ms"):
        ends = [day_of(getattr(one, end)) for one in (heat, distance)]
        assert day_of(getattr(both, end)) == min(ends)


def test_the_usual_distance_is_tightened_for_towing() -> None:
    # Common practice, no source: 50,000 miles, and 30,000 when all of it is towing.
    assert pytest.approx(50_000.0 * KM_PER_MILE, abs=1.0) == EASY_KM
    assert pytest.approx(30_000.0 * KM_PER_MILE, abs=1.0) == HARD_KM
    unknown, alone, towing = (
        due_after(params_of(), list(days_out([600.0] * 20, trailer=trailer)), 20.0)
        for trailer in (None, 0.0, 1.0)
    )
    assert unknown.distance_limit_km == pytest.approx(0.5 * (EASY_KM + HARD_KM))
    assert alone.distance_limit_km > EASY_KM - 0.03 * (EASY_KM - HARD_KM)
    assert towing.distance_limit_km < HARD_KM + 0.03 * (EASY_KM - HARD_KM)
    mixed = days_out([300.0] * 20, trailer=0.0)
    more = days_out([300.0] * 20, trailer=1.0, first_day=20, start_km=START_KM + 6_000.0)
    due = due_after(params_of(), [*mixed, *more], 40.0)
    assert due.distance_limit_km == pytest.approx(0.5 * (EASY_KM + HARD_KM), rel=1e-3)
    assert due_after(params_of(9.0), list(days_out([1.0])), 1.0).distance_limit_km == 9.0


def test_towing_is_not_read_into_a_few_kilometres() -> None:
    due = due_after(params_of(), list(days_out([TRAILER_PRIOR_KM], trailer=1.0)), 1.0)
    assert due.distance_limit_km == pytest.approx(0.25 * EASY_KM + 0.75 * HARD_KM, rel=1e-3)


def test_distance_and_age_count_from_the_last_service() -> None:
    samples = steady(30, celsius=60.0)
    drop = entry("pan_drop", FIRST_MS + 30 * DAY_MS, odometer_km=START_KM + 3_000.0)
    due = due_after(params_of(distance_km=7_000.0, days=365.0), samples, 40.0, drop)
    assert due.distance_km == pytest.approx(0.0, abs=1e-6)
    assert due.age_days == 10.0
    assert due.share_by_age == pytest.approx(10.0 / 365.0)


def test_days_at_rest_since_the_newest_sample_count_as_such() -> None:
    params = params_of(distance_km=20_000.0, days=FOREVER)
    samples = steady(50, celsius=60.0)
    dates = [day_of(due_after(params, samples, day).median_ms) for day in (50.0, 57.0, 78.0)]
    assert dates == sorted(dates)
    assert dates[1] > dates[0] + 7.0
    assert dates[2] > dates[1] + 21.0


def test_todays_use_is_not_counted_twice() -> None:
    params = params_of(distance_km=7_000.0, days=FOREVER)
    samples = steady(51, celsius=60.0)
    before = due_after(params, samples[: -len(steady(1))], 50.3)
    after = due_after(params, samples, 50.95)
    assert after.distance_km == pytest.approx(before.distance_km + 100.0)
    assert after.median_ms is not None
    assert before.median_ms is not None
    assert abs(after.median_ms - before.median_ms) < 0.1 * DAY_MS


def test_what_is_due_says_since_when() -> None:
    due = due_after(
        params_of(distance_km=2_950.0, days=FOREVER), steady(40, celsius=60.0), 45.0
    )
    assert (due.reason, due.overdue) == ("distance", True)
    assert due.median_ms == due.early_ms == due.late_ms
    # Half of the thirtieth day's 100 km, which begin at eight.
    assert day_of(due.median_ms) == pytest.approx(29.0 + (8.0 + 50.0 / 60.0) / 24.0, abs=1e-3)
    aged = due_after(params_of(distance_km=1e6, days=20.0), steady(10, celsius=60.0), 45.0)
    assert (aged.reason, aged.overdue, day_of(aged.median_ms)) == ("age", True, 20.0)


def test_a_truck_that_never_sent_anything_goes_by_what_is_assumed() -> None:
    params = params_of()
    state = blank(STATE)
    count(params, state, entry("install", FIRST_MS))
    due = due_of(record(params), record(state), FIRST_MS + DAY_MS)
    assert due.median_ms is not None
    assert due.early_ms is not None
    assert due.early_ms < due.median_ms
    assert (due.overdue, due.distance_km, due.share_by_heat) == (False, 0.0, 0.0)
    nothing = due_of(record(params), record(blank(STATE)), FIRST_MS)
    assert math.isnan(nothing.share_by_age)
    assert nothing.share == 0.0
    assert not nothing.overdue


def test_what_stands_still_is_not_due_within_five_years() -> None:
    params = params_of(distance_km=20_000.0, days=FOREVER)
    due = due_after(params, steady(10, celsius=60.0), 110.0)
    assert due.median_ms is None
    assert due.late_ms is None


def test_the_dates_are_never_before_now() -> None:
    rng = np.random.default_rng(5)
    params = params_of(distance_km=3_000.0, days=FOREVER)
    for _ in range(20):
        km = [float(one) for one in rng.choice([0.0, 10.0, 300.0], 12)]
        now_day = float(rng.uniform(12.0, 14.0))
        due = due_after(params, list(days_out(km)), now_day)
        if not due.overdue:
            assert day_of(due.early_ms) >= now_day - 1e-6
            assert day_of(due.early_ms) <= day_of(due.median_ms) <= day_of(due.late_ms)
