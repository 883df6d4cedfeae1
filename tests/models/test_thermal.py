"""The balance of heat as the kernel steps it: windows, what stops it, what it learns and when it does not."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.circuit import SINK, STATES, opening, passed
from models.compiled import compiled
from models.cooler import FLUID_SIDE, conductance_w_k, pumped, ram
from models.detectors import DETECTORS
from models.fleet import Vehicle
from models.hypotheses import AIR, COUNT, FLOW, HEALTHY, LOW, OPEN, SENSOR, SHUT, SLIP
from models.layout import blank, copied, dtype_of, record
from models.thermal import (
    DISCOUNT,
    GUESSED_AIR,
    STARVED_BELIEVED,
    Thermal,
    ThermalParams,
    balance,
)
from models.thermal_parameters import MARGINS
from models.view import View
from models.window import WINDOW_S, Window, lines_c, note
from tests.models.banks import params_of
from tests.models.duties import circuit
from tests.recorded import NOON_MS

BYPASS_TRUCK = Vehicle(name="NF-01", circuit="thermostatic_bypass")
OWN = ("heat_scale", "case_scale", "cooler_scale")

quick = settings(max_examples=50, deadline=None)


@compiled
def weigh(params: ThermalParams, thermal: Thermal, view: View, sensor_off: float) -> None:
    """Step as the kernel does, with the slip of the clutch told."""
    balance(params, thermal, view, sensor_off, True)


def on_the_road() -> Any:
    """Give a view of steady driving at the thermostat, before its first sample."""
    view = record(blank(dtype_of(View)))
    view.samples, view.time_ms, view.fluid_ms = 1, NOON_MS, NOON_MS
    view.fluid_c, view.air_c, view.coolant_c = 88.0, 20.0, 90.0
    view.speed_km_h, view.rpm, view.torque_nm = 70.0, 1700.0, 400.0
    view.gear, view.lockup, view.slip_rpm = 4.0, 1.0, 0.0
    view.heat_w, view.heat_sd_w = 9_000.0, 2_000.0
    view.line_out_c = view.line_return_c = math.nan
    return view


class Drive:
    """A truck on its way."""

    def __init__(self, vehicle: Vehicle = BYPASS_TRUCK) -> None:
        self.params = params_of(vehicle)
        self.table = blank(dtype_of(Thermal))
        self.view = on_the_road()
        self.step(0.0)

    @property
    def thermal(self) -> Any:
        return record(self.table)

    def step(self, dt_s: float, *, sensor_off: float = 0.0, **signals: float) -> None:
        self.view.dt_s = self.view.fluid_dt_s = dt_s
        self.view.time_ms += round(1000.0 * dt_s)
        for name, value in signals.items():
            self.view[name] = value
        weigh(self.params, self.thermal, self.view, sensor_off)

    def go(self, seconds: float, dt_s: float = 10.0, *, sensor_off: float = 0.0) -> None:
        for _ in range(round(seconds / dt_s)):
            self.step(dt_s, sensor_off=sensor_off)


@pytest.mark.parametrize("dt_s", [1.0, 5.0, 10.0, 30.0])
def test_windows_are_counted_in_seconds_and_not_in_samples(dt_s: float) -> None:
    drive = Drive()
    drive.go(1200.0, dt_s)
    length = dt_s * math.ceil(WINDOW_S / dt_s)
    assert drive.thermal.windows == pytest.approx(1200.0 / length, abs=1.5)


def test_before_anything_is_known_a_truck_is_as_its_class_and_taken_for_sound() -> None:
    thermal = Drive().thermal
    assert (thermal.windows, thermal.suspect_ms, thermal.observing.proven_ms) == (0, 0, 0)
    assert thermal.p[HEALTHY] > 0.9
    assert thermal.p.sum() == pytest.approx(1.0)
    assert thermal.learned == pytest.approx(0.0)
    assert [thermal[name] for name in OWN] == [1.0, 1.0, 1.0]
    assert thermal.share == pytest.approx(1.0, abs=0.1)


def test_a_circuit_that_nobody_knows_is_not_judged() -> None:
    drive = Drive()
    drive.params.bank.circuit.kind = 0
    drive.table[:] = 0
    drive.go(300.0)
    assert not any(drive.table.tobytes())


def test_driving_makes_a_truck_better_known() -> None:
    drive = Drive()
    learned = []
    for _ in range(4):
        drive.go(1800.0)
        learned.append(float(drive.thermal.learned))
    assert learned == sorted(learned)
    assert 0.0 < learned[0] < learned[-1] <= 1.0


def test_nothing_is_learned_and_no_odds_move_while_the_sensor_is_in_doubt() -> None:
    drive = Drive()
    drive.go(1800.0)
    own = [float(drive.thermal[name]) for name in OWN]
    odds = drive.thermal.bank.p.copy()
    shift_k = float(drive.thermal.valve_shift_k)
    drive.step(10.0, fluid_c=120.0, sensor_off=0.99)
    drive.go(600.0, sensor_off=0.99)
    assert drive.thermal.windows > 70
    assert float(drive.thermal.valve_shift_k) == shift_k
    assert [float(drive.thermal[name]) for name in OWN] == own
    # What moves is the rate at which faults begin and fade, a shade in ten minutes.
    assert np.abs(drive.thermal.bank.p - odds).max() < 0.02
    assert drive.thermal.p[SENSOR] == pytest.approx(0.99, abs=0.01)


@pytest.mark.parametrize(("sensor_off", "proven"), [(0.0, True), (0.99, False)])
def test_a_sensor_in_doubt_proves_no_flow(sensor_off: float, proven: bool) -> None:
    drive = Drive()
    drive.go(7200.0, sensor_off=sensor_off)
    assert bool(drive.thermal.observing.proven_ms > 0) is proven


def test_a_reading_after_hours_without_one_sets_out_anew() -> None:
    drive = Drive()
    drive.go(600.0)
    windows, odds = drive.thermal.windows, drive.thermal.p.copy()
    for _ in range(60):
        drive.step(240.0, fluid_c=math.nan, fluid_dt_s=0.0)
    # As ``models.view`` has it: nothing to compare this reading with.
    drive.step(10.0, fluid_c=130.0, fluid_dt_s=0.0)
    assert drive.thermal.windows == windows
    assert drive.thermal.p == pytest.approx(odds)
    drive.go(60.0)
    assert drive.thermal.windows > windows


def test_the_same_fluid_is_a_fault_where_the_sensor_is_trusted() -> None:
    drive = Drive()
    drive.go(1800.0)
    for _ in range(120):
        drive.step(10.0, fluid_c=float(drive.view.fluid_c) + 0.5)
    assert drive.thermal.p[HEALTHY] < 0.5
    assert drive.thermal.suspect_ms > NOON_MS
    assert drive.thermal.expectation.celsius < drive.view.fluid_c - 5.0


@pytest.mark.parametrize("name", ["rpm", "fluid_c"])
def test_without_fluid_or_engine_speed_no_window_is_judged(name: str) -> None:
    drive = Drive()
    drive.go(600.0)
    before = int(drive.thermal.windows)
    drive.step(10.0, **{name: math.nan})
    drive.go(600.0)
    assert drive.thermal.windows == before


def test_a_gap_takes_the_temperatures_up_anew_and_keeps_what_was_learned() -> None:
    drive = Drive()
    drive.go(3600.0)
    own = [float(drive.thermal[name]) for name in OWN]
    drive.view.gap_s = 3600.0
    drive.step(0.0, fluid_c=40.0)
    drive.view.gap_s = 0.0
    assert drive.thermal.expectation.celsius == pytest.approx(40.0)
    assert [float(drive.thermal[name]) for name in OWN] == own
    drive.step(10.0)
    assert np.isfinite(drive.thermal.bank.x).all()


@pytest.mark.parametrize("coolant_valve", [False, True])
def test_a_circuit_cooled_by_coolant_is_not_judged_without_its_temperature(
    coolant_valve: bool,
) -> None:
    drive = Drive(
        Vehicle(name="NF-01", circuit="coolant_exchanger", coolant_valve=coolant_valve)
    )
    drive.view.coolant_c = math.nan
    drive.go(1200.0)
    assert drive.thermal.windows == 0
    assert drive.thermal.p[HEALTHY] > 0.9
    drive.view.coolant_c = 90.0
    drive.go(1200.0)
    assert drive.thermal.windows > 0


def test_air_that_nobody_tells_leaves_the_sink_in_doubt() -> None:
    sure, guessed = Drive(), Drive()
    guessed.view.air_c = math.nan
    for drive in (sure, guessed):
        drive.step(0.0)  # a gap: the temperatures are taken up anew
        drive.go(600.0)
    sinks = [
        float(drive.thermal.bank.cov.reshape(COUNT, STATES, STATES)[HEALTHY, SINK, SINK])
        for drive in (sure, guessed)
    ]
    assert sinks[0] < sinks[1]


# What is told of the bank's odds, and what has to be guessed.

BY_AIR = [BYPASS_TRUCK, Vehicle(name="NF-01", circuit="full_flow")]
"""The outside air is all that cools the fluid."""

BY_ENGINE = [
    Vehicle(name="NF-01", circuit="coolant_exchanger"),
    Vehicle(name="NF-01", circuit="coolant_exchanger", coolant_valve=True),
    Vehicle(name="NF-01", circuit="radiator_tank"),
    Vehicle(name="NF-01", circuit="radiator_tank", air_cooler=True),
]
LACKS = {LOW: 1.0, AIR: STARVED_BELIEVED, FLOW: STARVED_BELIEVED}
"""Lacks of cooling, and which share of the bank's odds of each is told [-]."""


def judged(vehicle: Vehicle, *untold: str) -> Drive:
    """Drive with signals not told in the last window.

    Of a circuit that is only assumed no stretches are kept: they say nothing, or what a test has them say.
    """
    drive = Drive(replace(vehicle, registered=False))
    drive.go(660.0)
    for name in untold:
        drive.view[name] = math.nan
    windows = drive.thermal.windows
    while drive.thermal.windows == windows:
        drive.step(10.0)
    assert not drive.thermal.stretches.odds.any()
    return drive


def told_of_bank(drive: Drive, fault: int) -> float:
    """Give the odds of a fault against a sound truck that are told, over those of the bank [-]."""
    told, bank = drive.thermal.p, drive.thermal.bank.p
    return float(told[fault] / told[HEALTHY] / (bank[fault] / bank[HEALTHY]))


def called(vehicle: Vehicle) -> str:
    return f"{vehicle.circuit}{'-valve' * vehicle.coolant_valve}{'-air' * vehicle.air_cooler}"


@pytest.mark.parametrize("vehicle", BY_AIR + BY_ENGINE, ids=called)
def test_where_all_is_told_a_sound_truck_is_held_so_many_times_as_likely(
    vehicle: Vehicle,
) -> None:
    drive = judged(vehicle)
    assert told_of_bank(drive, LOW) == pytest.approx(1.0 / DISCOUNT)
    assert told_of_bank(drive, FLOW) == pytest.approx(STARVED_BELIEVED / DISCOUNT)


@pytest.mark.parametrize("vehicle", BY_AIR, ids=called)
def test_where_the_air_that_cools_must_be_guessed_it_is_held_likelier_still(
    vehicle: Vehicle,
) -> None:
    drive = judged(vehicle, "air_c")
    assert GUESSED_AIR > 1.0
    for fault, share in LACKS.items():
        assert told_of_bank(drive, fault) == pytest.approx(share / DISCOUNT / GUESSED_AIR)
    drive.step(0.0, air_c=20.0)
    drive.go(60.0)
    assert told_of_bank(drive, LOW) == pytest.approx(1.0 / DISCOUNT)


def test_a_valve_at_either_end_is_doubted_as_much_without_the_air() -> None:
    drive = judged(BYPASS_TRUCK, "air_c")
    for fault in (SHUT, OPEN):
        assert told_of_bank(drive, fault) == pytest.approx(1.0 / DISCOUNT / GUESSED_AIR)


@pytest.mark.parametrize("vehicle", BY_ENGINE, ids=called)
def test_where_the_engine_cools_nothing_hangs_on_the_air(vehicle: Vehicle) -> None:
    drive = judged(vehicle, "air_c")
    assert told_of_bank(drive, LOW) == pytest.approx(1.0 / DISCOUNT)
    assert told_of_bank(drive, FLOW) == pytest.approx(STARVED_BELIEVED / DISCOUNT)


@pytest.mark.parametrize("signal", ["torque_nm", "lockup", "speed_km_h", "coolant_c"])
def test_no_other_signal_that_is_missing_takes_weight_from_the_odds(signal: str) -> None:
    drive = judged(BYPASS_TRUCK, signal)
    assert told_of_bank(drive, LOW) == pytest.approx(1.0 / DISCOUNT)
    assert told_of_bank(drive, SHUT) == pytest.approx(1.0 / DISCOUNT)


@pytest.mark.parametrize("untold", ["torque_nm", "air_c"])
def test_what_the_stretches_say_has_its_full_weight(untold: str) -> None:
    drive = judged(BYPASS_TRUCK, untold)
    drive.thermal.stretches.odds[FLOW] = 50.0
    drive.go(60.0)
    told = drive.thermal.p
    assert told[FLOW] / told[HEALTHY] == pytest.approx(50.0)


def test_one_step_says_the_same_of_the_same_record() -> None:
    drive = Drive()
    drive.go(900.0)
    twin = copied(drive.table)
    drive.go(300.0)
    ahead = drive.table.tobytes()
    drive.view.time_ms -= 300_000
    drive.table[:] = twin
    drive.go(300.0)
    assert drive.table.tobytes() == ahead


def test_what_is_learned_of_a_circuit_is_forgotten_with_it() -> None:
    for detector in DETECTORS:
        if detector.kind in MARGINS:
            assert set(detector.begins_again_with) == {"gearbox", "circuit"}


celsius = st.floats(-40.0, 160.0)
shares = st.floats(0.01, 2.0)


@quick
@given(celsius, celsius, st.floats(-9.0, 9.0), st.floats(0.0, 1.0))
def test_a_warmer_element_never_closes_a_valve(
    one: float, other: float, shift_k: float, before: float
) -> None:
    params = record(circuit())
    colder, warmer = sorted((one, other))
    for hypothesis in (HEALTHY, LOW, AIR, FLOW, SLIP, SENSOR):
        found = [
            passed(params, hypothesis, element_c, shift_k, before)
            for element_c in (colder, warmer)
        ]
        assert 0.0 < found[0] <= found[1] <= 1.0


@quick
@given(celsius, st.floats(0.0, 1.0))
def test_a_stuck_valve_does_not_move(element_c: float, before: float) -> None:
    params = record(circuit())
    shut = passed(params, SHUT, element_c, 0.0, before)
    wide = passed(params, OPEN, element_c, 0.0, before)
    assert 0.0 < shut < 0.05
    assert wide == 1.0


def test_play_holds_a_valve_where_it_was() -> None:
    params = record(circuit())
    up = passed(params, HEALTHY, 89.0, 0.0, 0.0)
    assert up == pytest.approx(opening(89.0, 82.0, 96.0))
    assert passed(params, HEALTHY, 88.0, 0.0, up) == up
    assert passed(params, HEALTHY, 70.0, 0.0, up) < up


@quick
@given(shares, shares, st.floats(1.001, 3.0), st.floats(1.0, 2000.0))
def test_more_of_either_flow_carries_more_and_never_in_proportion(
    fluid: float, sink: float, more: float, cooler_w_k: float
) -> None:
    """Like the effectiveness of any exchanger times its lesser capacity rate: it rises and levels off."""
    usual = conductance_w_k(cooler_w_k, fluid, sink)
    for grown in (
        conductance_w_k(cooler_w_k, more * fluid, sink),
        conductance_w_k(cooler_w_k, fluid, more * sink),
    ):
        assert usual < grown < more * usual
    both = conductance_w_k(cooler_w_k, more * fluid, more * sink)
    assert both == pytest.approx(more * usual)
    assert usual < cooler_w_k * min(fluid / FLUID_SIDE, sink / (1.0 - FLUID_SIDE))


def test_no_flow_on_either_side_carries_nothing() -> None:
    assert conductance_w_k(170.0, 0.0, 1.0) == 0.0
    assert conductance_w_k(170.0, 1.0, 0.0) == 0.0
    assert conductance_w_k(170.0, 1.0, 1.0) == pytest.approx(170.0)


@quick
@given(st.floats(0.0, 160.0), st.floats(0.0, 160.0), st.floats(500.0, 3500.0), celsius)
def test_air_goes_with_speed_and_fluid_with_the_pump(
    one: float, other: float, rpm: float, fluid_c: float
) -> None:
    slower, faster = sorted((one, other))
    assert 0.0 < ram(slower) <= ram(faster)
    assert pumped(0.0, fluid_c) == 0.0
    assert 0.0 < pumped(rpm, fluid_c) <= pumped(rpm + 500.0, fluid_c)
    assert pumped(rpm, fluid_c) <= pumped(rpm, fluid_c + 10.0)


def read_lines(seen: list[tuple[float, float, float]], now_s: float) -> tuple[float, float]:
    """Read the lines to and from the cooler [°C] at times [s]; give what is taken of them at another [s]."""
    window, view = record(blank(dtype_of(Window))), on_the_road()
    for second, view.line_out_c, view.line_return_c in seen:
        view.time_ms = NOON_MS + round(1000.0 * second)
        note(window, view)
    return lines_c(window, NOON_MS + round(1000.0 * now_s))


@pytest.mark.parametrize(
    ("seen", "taken"),
    [
        ([], (math.nan, math.nan)),
        ([(0.0, 90.0, 60.0)], (90.0, 60.0)),
        (
            [(0.0, 90.0, math.nan), (5.0, math.nan, 60.0), (8.0, math.nan, math.nan)],
            (90.0, 60.0),
        ),
        ([(0.0, 90.0, 60.0), (6.0, 91.0, math.nan)], (91.0, 60.0)),
        ([(-6.0, 90.0, math.nan), (0.0, math.nan, 60.0)], (math.nan, 60.0)),
    ],
    ids=["never", "with-the-fluid", "one-by-one", "the-last-counts", "too-long-ago"],
)
def test_the_coolers_lines_need_not_be_read_with_the_fluid(
    seen: list[tuple[float, float, float]], taken: tuple[float, float]
) -> None:
    assert read_lines(seen, 10.0) == pytest.approx(taken, nan_ok=True)


@pytest.mark.parametrize(
    ("fluid_c", "gap_h", "wrong"),
    [(15.0, 10.0, 1), (80.0, 10.0, 0), (15.0, 2.0, 0)],
    ids=["after-a-night", "driven-unseen", "after-a-stop"],
)
def test_lines_are_compared_where_the_truck_has_stood_cold(
    fluid_c: float, gap_h: float, wrong: int
) -> None:
    drive = Drive()
    drive.go(600.0)
    drive.view.time_ms += round(3.6e6 * gap_h)
    drive.step(0.0, fluid_c=fluid_c, line_out_c=fluid_c, line_return_c=fluid_c - 10.0)
    assert drive.thermal.bank.line_back.wrong == wrong
