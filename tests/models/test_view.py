"""The truck at its newest sample: gaps, held signals, motion, torque."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import pytest

from models.fleet import CHART, Vehicle
from models.kernel import STATE, advance
from models.layout import blank, record
from models.parameters import parameters
from tests.recorded import NOON_MS, Sample, records

RATED_NM = 800.0


def view_of(samples: Sequence[Sample]) -> Any:
    params = parameters(
        Vehicle(name="NF-01", rated_torque_nm=RATED_NM),
        CHART,
        max_gap_s=300.0,
        silent_after_s=900.0,
    )
    state = blank(STATE)
    advance(params, state, 0, records(samples))
    return record(state).truck.latest


def at(second: float, **signals: float) -> dict[str, float]:
    return {"time_ms": NOON_MS + round(second * 1000), **signals}


def test_the_first_sample_has_no_span() -> None:
    view = view_of([at(0, gear=1)])
    assert (view.samples, view.time_ms, view.dt_s, view.gap_s) == (1, NOON_MS, 0.0, 0.0)


def test_a_span_and_a_gap() -> None:
    assert view_of([at(0, gear=1), at(300, gear=1)]).dt_s == 300.0
    after = view_of([at(0, gear=1), at(300.001, gear=1)])
    assert (after.dt_s, after.gap_s) == (0.0, pytest.approx(300.001))
    on = view_of([at(0, gear=1), at(400, gear=1), at(410, gear=1)])
    assert (on.dt_s, on.gap_s) == (10.0, 0.0)


@pytest.mark.parametrize(
    ("sent", "held", "hold_s"),
    [
        ("speed_km_h", "speed_km_h", 60),
        ("engine_rpm", "rpm", 60),
        ("engine_torque_nm", "torque_nm", 60),
        ("gear", "gear", 60),
        ("lockup", "lockup", 60),
        ("lockup_slip_rpm", "slip_rpm", 60),
        ("coolant_temp_c", "coolant_c", 60),
        ("ambient_temp_c", "air_c", 600),
        ("trailer", "trailer", 600),
    ],
)
def test_a_signal_sent_more_rarely_is_held_for_a_while(
    sent: str, held: str, hold_s: int
) -> None:
    first = at(0, **{sent: 1.0})
    within = [first, *(at(second, odometer_km=5) for second in range(10, hold_s + 1, 10))]
    assert getattr(view_of(within), held) == 1.0
    assert math.isnan(getattr(view_of([*within, at(hold_s + 1, odometer_km=5)]), held))


@pytest.mark.parametrize(
    ("sent", "seen"),
    [
        ("fluid_temp_c", "fluid_c"),
        ("cooler_out_temp_c", "line_out_c"),
        ("cooler_return_temp_c", "line_return_c"),
        ("odometer_km", "odometer_km"),
        ("engine_hours_h", "engine_hours_h"),
    ],
)
def test_what_is_judged_by_its_change_is_never_held(sent: str, seen: str) -> None:
    assert getattr(view_of([at(0, **{sent: 80.0})]), seen) == 80.0
    assert math.isnan(getattr(view_of([at(0, **{sent: 80.0}), at(1, gear=1)]), seen))


def test_a_held_value_is_not_renewed_by_holding_it() -> None:
    samples = [at(0, speed_km_h=50), *(at(second, gear=1) for second in range(20, 200, 20))]
    assert math.isnan(view_of(samples).speed_km_h)


def test_the_fluid_spans_from_reading_to_reading() -> None:
    samples = [at(0, fluid_temp_c=80), at(10, gear=1), at(20, gear=1), at(30, fluid_temp_c=81)]
    assert view_of(samples[:2]).fluid_dt_s == 0.0
    view = view_of(samples)
    assert (view.dt_s, view.fluid_dt_s) == (10.0, 30.0)


def test_the_fluid_spans_neither_a_gap_nor_too_long_an_absence() -> None:
    over_gap = [at(0, fluid_temp_c=80), at(400, gear=1), at(410, fluid_temp_c=81)]
    assert view_of(over_gap).fluid_dt_s == 0.0
    absent = [at(0, fluid_temp_c=80), *(at(second, gear=1) for second in range(60, 361, 60))]
    assert view_of(absent).fluid_ms == 0
    assert view_of([*absent, at(370, fluid_temp_c=81)]).fluid_dt_s == 0.0


def test_torque_is_the_signal_or_else_the_load_of_the_rated_torque() -> None:
    assert view_of([at(0, engine_torque_nm=300, engine_load_pct=10)]).torque_nm == 300.0
    assert view_of([at(0, engine_load_pct=50)]).torque_nm == pytest.approx(0.5 * RATED_NM)
    assert math.isnan(view_of([at(0, engine_rpm=1500)]).torque_nm)


@pytest.mark.parametrize(("speed", "moving"), [(0.0, 0), (5.0, 0), (5.1, 1), (math.nan, 0)])
def test_moving_is_faster_than_walking(speed: float, moving: int) -> None:
    assert view_of([at(0, gear=1, speed_km_h=speed)]).moving == moving


def test_motion_before_this_sample_is_remembered() -> None:
    view = view_of([at(0, speed_km_h=60), at(1000, speed_km_h=0)])
    assert (view.was_moving, view.moving) == (1, 0)
