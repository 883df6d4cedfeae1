"""What slips and what turns, from engine and road speed of a truck whose gears are known to the test."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from models.fleet import CHART, Vehicle
from models.kernel import STATE, advance
from models.layout import blank, record
from models.parameters import parameters
from tests.models.entries import count, entry
from tests.models.geared import RATED_NM, RATIO, Road
from tests.recorded import HOUR_MS, records

PARAMS = parameters(
    Vehicle(name="NF-01", rated_torque_nm=RATED_NM),
    CHART,
    max_gap_s=300.0,
    silent_after_s=900.0,
)
NO_SLIP = ("lockup_slip_rpm",)


def state_after(road: Road) -> Any:
    state = blank(STATE)
    advance(PARAMS, state, 0, records(road.samples))
    return state


def truck_after(road: Road) -> Any:
    return record(state_after(road)).truck


@pytest.mark.parametrize("period_s", [1.0, 5.0, 10.0, 30.0])
def test_ratios_are_learned_from_overrun(period_s: float) -> None:
    road = Road(period_s=period_s, absent=NO_SLIP)
    road.healthy_hour()
    learned = truck_after(road).kinematics.locked.per_km_h
    assert learned[4] == pytest.approx(RATIO[5], rel=0.006)
    assert learned[5] == pytest.approx(RATIO[6], rel=0.006)
    assert learned[0] == 0.0


@pytest.mark.parametrize("slip_rpm", [15.0, 80.0, 200.0, 350.0])
def test_the_slip_of_a_closed_clutch_is_estimated(slip_rpm: float) -> None:
    road = Road(absent=NO_SLIP)
    road.healthy_hour()
    road.piece(3, slip_rpm=slip_rpm)
    kinematics = truck_after(road).kinematics
    assert kinematics.slip_now_rpm == pytest.approx(slip_rpm, abs=25.0)
    assert kinematics.smooth_rpm == pytest.approx(slip_rpm, abs=12.0)
    assert abs(kinematics.slip_now_rpm - slip_rpm) < 3.0 * kinematics.slip_sd_rpm
    assert kinematics.measured == 0


def test_a_clutch_that_slipped_from_the_start_is_not_learned_as_normal() -> None:
    road = Road(absent=NO_SLIP)
    road.piece(60, slip_rpm=200.0)
    road.piece(2, load=0.0)
    road.piece(2, slip_rpm=200.0)
    assert truck_after(road).kinematics.slip_now_rpm == pytest.approx(200.0, abs=25.0)


def test_a_measured_slip_comes_before_an_estimated_one() -> None:
    road = Road()
    road.healthy_hour()
    road.piece(2, slip_rpm=44.0)
    kinematics = truck_after(road).kinematics
    assert (kinematics.measured, kinematics.slip_now_rpm) == (1, 44.0)


def test_of_an_open_converter_the_speed_ratio_is_given() -> None:
    road = Road(absent=NO_SLIP)
    road.healthy_hour()
    road.piece(2, slip_rpm=200.0, lockup=False)
    kinematics = truck_after(road).kinematics
    turbine_rpm = RATIO[5] * 72.0
    assert kinematics.speed_ratio == pytest.approx(
        turbine_rpm / (turbine_rpm + 200.0), abs=0.02
    )
    assert math.isnan(kinematics.slip_now_rpm)


def test_a_known_gear_makes_the_heat_of_an_open_converter_right() -> None:
    known, blind = Road(absent=NO_SLIP), Road(absent=(*NO_SLIP, "gear"))
    for road in (known, blind):
        road.healthy_hour()
        road.piece(3, load=0.6, slip_rpm=240.0, lockup=False)
    turbine_rpm = RATIO[5] * 72.0
    lost = 240.0 / (
        turbine_rpm + 240.0
    )  # at and past the coupling point the slip's share is lost
    power_w = 0.6 * RATED_NM * (turbine_rpm + 240.0) * 2.0 * math.pi / 60.0
    seen, guessed = truck_after(known).latest, truck_after(blind).latest
    expected_w = lost * power_w + 0.045 * power_w + 700.0
    assert seen.heat_w == pytest.approx(expected_w, rel=0.08)
    assert abs(guessed.heat_w - expected_w) < 3.0 * guessed.heat_sd_w
    assert seen.heat_sd_w < 0.7 * guessed.heat_sd_w


def test_an_undue_slip_is_in_the_heat() -> None:
    sound, slipping = Road(absent=NO_SLIP), Road(absent=NO_SLIP)
    for road, slip_rpm in ((sound, 15.0), (slipping, 215.0)):
        road.healthy_hour()
        road.piece(5, slip_rpm=slip_rpm)
    more_w = truck_after(slipping).latest.heat_w - truck_after(sound).latest.heat_w
    assert more_w == pytest.approx(0.4 * RATED_NM * 200.0 * 2.0 * math.pi / 60.0, rel=0.2)


def test_another_gearbox_is_learned_anew_and_another_circuit_changes_nothing() -> None:
    road = Road(absent=NO_SLIP)
    road.healthy_hour()
    state = state_after(road)
    later_ms = int(road.samples[-1]["time_ms"]) + HOUR_MS
    count(PARAMS, state, entry("circuit", later_ms))
    assert np.any(record(state).truck.kinematics.locked.per_km_h)
    count(PARAMS, state, entry("gearbox", later_ms))
    assert not any(record(state).truck.kinematics.tobytes())


@pytest.mark.parametrize("gone", ["gear", "speed_km_h", "engine_rpm", "lockup"])
def test_without_one_of_the_signals_nothing_is_said_of_slip(gone: str) -> None:
    road = Road(absent=(*NO_SLIP, gone))
    road.healthy_hour()
    assert math.isnan(truck_after(road).kinematics.slip_now_rpm)


def test_a_change_of_gear_between_two_samples_is_not_taken_for_slip() -> None:
    road = Road(period_s=30.0, absent=NO_SLIP)
    road.healthy_hour()
    for _ in range(30):
        road.piece(1, gear=5, km_h=72.0)
        road.piece(1, gear=6, km_h=72.0)
    learned = truck_after(road).kinematics.locked.per_km_h
    assert learned[4] == pytest.approx(RATIO[5], rel=0.006)
    assert learned[5] == pytest.approx(RATIO[6], rel=0.006)
