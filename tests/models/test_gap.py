"""What a gap was: counters tell, else the temperature after it; samples without the fluid tell too."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models import course as courses
from models.account import equivalent_s, unseen_equivalent_s
from models.habits import per_km_s, per_run_s
from models.layout import blank, dtype_of, record
from models.soak import Soak, cool_down
from tests.models.entries import course, entry, parts
from tests.models.fills import fill_params, run
from tests.recorded import HOUR_MS, MINUTE_MS, NOON_MS, Sample, records

AIR_C = 20.0


def minutes(start: float, count: int, **signals: float) -> list[Sample]:
    """Record a sample a minute from ``start`` [min]; a signal given as NaN is absent."""
    known = {"ambient_temp_c": AIR_C, **signals}
    known = {name: value for name, value in known.items() if not math.isnan(value)}
    return [
        {"time_ms": float(NOON_MS + round((start + row) * MINUTE_MS)), **known}
        for row in range(count)
    ]


def counted(
    samples: Sequence[Sample], *, km: float | None = None, hours: float | None = None
) -> list[Sample]:
    """Give each sample the counters as they stand."""
    told = {"odometer_km": km, "engine_hours_h": hours}
    counters = {name: value for name, value in told.items() if value is not None}
    return [{**one, **counters} for one in samples]


def account(samples: Sequence[Sample]) -> Any:
    return record(run(fill_params(), samples)).truck.account


HOT = minutes(0, 11, fluid_temp_c=90.0, speed_km_h=0.0)
"""Ten minutes with hot fluid, standing, as all gaps here begin."""

CRAWLING = minutes(0, 11, fluid_temp_c=90.0, speed_km_h=6.0)
MOVING = minutes(0, 11, fluid_temp_c=90.0, speed_km_h=60.0)


def after(hours: float, fluid_c: float, **signals: float) -> list[Sample]:
    """Two samples so long after the last of ``HOT``."""
    return minutes(10 + 60 * hours, 2, fluid_temp_c=fluid_c, **signals)


def ran(told: Any) -> tuple[float, float]:
    """Give what is charged to the fluid as run unseen: hours, kilometres."""
    return told.travel.fluid_unseen_run_s / 3600.0, float(told.travel.fluid_unseen_km)


def hours_of(told: Any) -> tuple[float, float]:
    """Give hours unseen and hours parked."""
    return told.travel.unseen_s / 3600.0, told.soak.parked_s / 3600.0


def test_engine_hours_that_moved_on_are_running_time_and_the_rest_is_parked() -> None:
    told = account(
        counted(HOT, km=100.0, hours=50.0) + counted(after(5, 70), km=180.0, hours=52.0)
    )
    assert ran(told) == pytest.approx((2.0, 0.0))
    assert hours_of(told) == pytest.approx((2.0, 3.0))
    assert told.travel.unseen_km == pytest.approx(80.0)  # as distance it counts all the same
    # It cooled before the unseen trip, for half of the time parked as far as anybody knows.
    own, soak = record(fill_params()).account, record(blank(dtype_of(Soak)))
    cool_down(own.soak, own.ageing, soak, 90.0, math.nan, math.nan, 1.5 * 3600.0, False)
    assert soak.equivalent_s > 0.0
    assert told.soak.equivalent_s == pytest.approx(soak.equivalent_s)


def test_without_engine_hours_distance_is_what_the_truck_ran() -> None:
    told = account(counted(HOT, km=100.0) + counted(after(5, 20), km=180.0))
    assert ran(told) == pytest.approx((0.0, 80.0))
    # At the pace that is assumed of a truck of which little was seen, 50 km/h; then it stood.
    assert hours_of(told) == pytest.approx((1.6, 3.4))


@pytest.mark.parametrize(
    "counters", [{"km": 100.0}, {"hours": 50.0}, {"km": 100.0, "hours": 50.0}]
)
@pytest.mark.parametrize("end_c", [20.0, 88.0])
def test_a_counter_that_did_not_move_on_says_parked_however_warm_the_fluid(
    counters: dict[str, float], end_c: float
) -> None:
    told = account(counted(HOT, **counters) + counted(after(5, end_c), **counters))
    assert ran(told) == (0.0, 0.0)
    assert hours_of(told) == pytest.approx((0.0, 5.0))
    assert told.soak.equivalent_s > 0.0
    assert told.soak.checks == 0  # neither reading is a point of the cooling


@pytest.mark.parametrize("moved_km", [0.0, 1.0, 1.7])
def test_one_tick_of_a_counter_of_whole_miles_is_no_drive(moved_km: float) -> None:
    told = account(counted(HOT, km=100.0) + counted(after(5, 20), km=100.0 + moved_km))
    assert ran(told) == (0.0, 0.0)
    assert hours_of(told) == pytest.approx((0.0, 5.0))
    assert told.travel.unseen_km == pytest.approx(moved_km)


def test_in_slow_traffic_a_short_gap_of_a_kilometre_was_driven() -> None:
    crawl = [{**one, "odometer_km": 99.0 + 0.1 * row} for row, one in enumerate(CRAWLING)]
    samples = crawl + counted(after(0.1, 90), km=101.0)
    assert ran(account(samples)) == pytest.approx((0.0, 1.0))


@pytest.mark.parametrize("late_min", [1, 5, 14])
def test_counters_that_come_late_tell_the_same(late_min: int) -> None:
    back = minutes(310, late_min, fluid_temp_c=40.0, engine_rpm=800.0, speed_km_h=0.0)
    told = minutes(310 + late_min, 2, fluid_temp_c=50.0, engine_rpm=800.0, speed_km_h=0.0)
    late = counted(told, km=180.0, hours=52.0 + late_min / 60.0)
    both = account(counted(HOT, km=100.0, hours=50.0) + back + late)
    assert ran(both) == pytest.approx((2.0, 0.0))
    only_km = account(counted(HOT, km=100.0) + back + counted(told, km=180.0))
    assert ran(only_km) == pytest.approx((0.0, 80.0))


def test_a_counter_is_waited_for_a_quarter_of_an_hour() -> None:
    back = minutes(310, 30, fluid_temp_c=40.0, engine_rpm=800.0)
    told = account(counted(HOT, km=100.0, hours=50.0) + counted(back, km=180.0))
    assert ran(told) == pytest.approx((0.0, 80.0))
    early = account(counted(HOT, km=100.0, hours=50.0) + counted(back[:10], km=180.0))
    assert (ran(early), early.gap.open) == ((0.0, 0.0), 1)


@pytest.mark.parametrize(("hours", "charged_h"), [(5.0, 2.5), (30.0, 12.0)])
def test_fluid_too_hot_for_a_parked_truck_ran_for_half_of_the_gap(
    hours: float, charged_h: float
) -> None:
    told = account(HOT + after(hours, 85.0))
    assert ran(told) == pytest.approx((charged_h, 0.0))
    assert hours_of(told) == pytest.approx((hours, 0.0))


@pytest.mark.parametrize(("hours", "end_c"), [(5.0, 49.0), (5.0, 20.0), (0.25, 75.0)])
def test_fluid_that_cooled_as_it_may_or_is_only_lukewarm_was_parked(
    hours: float, end_c: float
) -> None:
    told = account(HOT + after(hours, end_c))
    assert ran(told) == (0.0, 0.0)
    assert hours_of(told) == pytest.approx((0.0, hours))


def test_a_moving_truck_goes_on_through_a_short_gap_if_nothing_tells() -> None:
    assert ran(account(MOVING + after(0.5, 60.0))) == pytest.approx((0.5, 0.0))
    assert ran(account(HOT + after(0.5, 60.0))) == (0.0, 0.0)
    assert ran(account(MOVING + after(1.5, 40.0))) == (0.0, 0.0)


def test_a_short_gap_proves_no_standstill_by_a_coarse_hour_counter() -> None:
    samples = counted(MOVING, hours=50.0) + counted(after(0.15, 90.0), hours=50.0)
    assert ran(account(samples)) == pytest.approx((0.15, 0.0))


@pytest.mark.parametrize("hours", [3.0, 90.0])
def test_an_hour_counter_that_was_replaced_leaves_it_to_the_odometer(hours: float) -> None:
    samples = counted(HOT, km=100.0, hours=50.0) + counted(after(5, 20), km=180.0, hours=hours)
    assert ran(account(samples)) == pytest.approx((0.0, 80.0))


def test_a_gap_is_never_charged_by_time_and_by_distance() -> None:
    # The odometer comes only long after the gap is judged, by temperature.
    late = counted(minutes(400, 2, fluid_temp_c=90.0, speed_km_h=0.0), km=180.0)
    back = minutes(310, 90, fluid_temp_c=90.0, speed_km_h=0.0)
    assert ran(account(counted(HOT, km=100.0) + back + late)) == pytest.approx((2.5, 0.0))
    cool = minutes(310, 90, fluid_temp_c=20.0, speed_km_h=0.0)
    assert ran(account(counted(HOT, km=100.0) + cool + late)) == pytest.approx((0.0, 80.0))


def test_a_dead_sensor_on_a_running_truck_is_running_time_at_once() -> None:
    blind = minutes(11, 60, engine_rpm=1500.0, speed_km_h=70.0)
    told = account(HOT + blind)
    assert ran(told) == pytest.approx((1.0, 0.0))
    assert hours_of(told) == pytest.approx((1.0, 0.0))
    again = account(HOT + blind + minutes(71, 2, fluid_temp_c=85.0))
    assert ran(again) == pytest.approx((61.0 / 60.0, 0.0))
    assert ran(account(HOT + blind[:4])) == (0.0, 0.0)  # it may yet count as seen


def test_the_engine_off_in_samples_without_the_fluid_is_parked_and_cools() -> None:
    off = minutes(11, 240, engine_rpm=0.0, speed_km_h=0.0)
    told = account(HOT + off + minutes(251, 2, fluid_temp_c=22.0))
    assert ran(told) == (0.0, 0.0)
    assert hours_of(told) == pytest.approx((0.0, 241.0 / 60.0), abs=0.02)
    gap = account(HOT + minutes(251, 2, fluid_temp_c=22.0))
    assert told.soak.equivalent_s == pytest.approx(gap.soak.equivalent_s, rel=0.03)


def test_a_silence_between_samples_without_the_fluid_is_judged_by_itself() -> None:
    blind = counted(minutes(11, 60, engine_rpm=1500.0, speed_km_h=70.0), hours=51.0)
    more = counted(minutes(370, 60, engine_rpm=1500.0, speed_km_h=70.0), hours=53.0)
    told = account(counted(HOT, hours=50.0) + blind + more)
    assert ran(told)[0] == pytest.approx(1.0 + 2.0 + 59.0 / 60.0, abs=0.02)
    assert hours_of(told)[1] == pytest.approx(3.0, abs=0.05)
    assert told.soak.equivalent_s == 0.0  # nobody knows from what it cooled


@pytest.mark.parametrize("fluid", [True, False])
def test_a_night_of_short_silences_costs_what_one_long_one_costs(fluid: bool) -> None:
    expected = account(HOT + after(10, 20.0)).soak
    tau_s = float(record(fill_params()).account.soak.time_constant_s)
    beats: list[Sample] = []
    for row in range(60):
        cooling_c = AIR_C + 70.0 * math.exp(-600.0 * (row + 1) / tau_s)
        beats += minutes(20 + 10 * row, 1, fluid_temp_c=cooling_c if fluid else math.nan)
    told = account(HOT + beats + after(10.2, 20.0))
    assert told.soak.equivalent_s == pytest.approx(expected.equivalent_s, rel=0.01)
    assert told.soak.bins_s.sum() == pytest.approx(10.2 * 3600.0, rel=0.01)
    assert ran(told) == (0.0, 0.0)


def test_a_gap_before_a_new_fill_is_none_of_its() -> None:
    params = fill_params()
    state = run(params, counted(HOT, km=100.0, hours=50.0))
    exchange = course(params, entry("exchange", NOON_MS + 2 * HOUR_MS))
    courses.run(exchange, state, records(counted(after(5, 60), km=100.0, hours=50.0)))
    told = record(state).truck.account
    assert ran(told) == (0.0, 0.0)
    assert hours_of(told) == (0.0, 0.0)
    assert told.soak.equivalent_s == 0.0


def test_what_was_driven_before_the_first_sample_is_unseen() -> None:
    state = run(fill_params(), counted(HOT, km=100.0), installed_odometer_km=60.0)
    told = record(state).truck.account
    assert ran(told) == pytest.approx((0.0, 40.0))
    assert told.travel.unseen_km == pytest.approx(40.0)


def test_the_account_is_what_was_measured_parked_and_estimated() -> None:
    params = fill_params()
    habits = params[0]["account"]["habits"]
    habits["equivalent_s_per_km"], habits["equivalent_s_per_run_s"] = 40.0, 0.7
    gaps = counted(HOT, km=100.0) + counted(after(5, 20), km=180.0)
    dead = counted(minutes(312, 60, engine_rpm=1500.0, speed_km_h=0.0), km=180.0)
    night = counted(minutes(372, 9, fluid_temp_c=90.0), km=180.0)
    morning = counted(minutes(900, 2, fluid_temp_c=21.0), km=180.0)
    own, told = parts(params, run(params, [*gaps, *dead, *night, *morning]))
    heat_s = told.heat.equivalent_s + told.heat.equivalent_rest
    by_km = 80.0 * per_km_s(own.habits, told.habits)
    by_run = told.travel.fluid_unseen_run_s * per_run_s(own.habits, told.habits)
    assert told.travel.fluid_unseen_run_s == pytest.approx(3600.0, abs=100.0)
    assert by_km > 0.0
    assert by_run > 0.0
    assert told.soak.equivalent_s > 0.0
    assert unseen_equivalent_s(own, told) == pytest.approx(by_km + by_run)
    total = heat_s + told.soak.equivalent_s + by_km + by_run
    assert equivalent_s(own, told) == pytest.approx(total, rel=1e-12)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.1, 50.0), st.floats(-30.0, 140.0)), min_size=1, max_size=8),
    st.booleans(),
)
def test_a_parked_gap_never_adds_a_kilometre(
    stops: list[tuple[float, float]], moving: bool
) -> None:
    samples: list[Sample] = counted(MOVING if moving else HOT, km=100.0, hours=50.0)
    start = 10.0
    for hours, fluid_c in stops:
        start += 60.0 * hours
        samples += counted(minutes(start, 1, fluid_temp_c=fluid_c), km=100.0, hours=50.0)
    begun = account(counted(MOVING if moving else HOT, km=100.0, hours=50.0))
    told = account(samples)
    assert told.travel.distance_km == begun.travel.distance_km
    assert (told.travel.unseen_km, told.travel.fluid_unseen_km) == (0.0, 0.0)
