"""The watch over the sensors in the kernel: wild readings, faults of sensors, what is missing, repair."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from models.course import run
from models.fleet import Sensor
from models.kernel import STATE, advance
from models.layout import blank, copied, record
from models.sensor_watch import FROZEN, NOISY, STEPPED
from models.sensor_words import AIR, FLUID, MISSING
from tests.contract.roads import START_MS, Road, course_of, judge, raised, recorded, without
from tests.models.entries import count, entry
from tests.models.fills import fill_params
from tests.recorded import HOUR_MS, MINUTE_MS, NOON_MS, Sample, records

DRIVE = Road(route="hills", hours=1.5, period_s=10)
KIND = "sensor_fault"
WHAT = {"sensor_frozen": FROZEN, "sensor_noise": NOISY, "sensor_bias": STEPPED}


def watched(samples: NDArray[Any], road: Road = DRIVE) -> Any:
    """Give the watch after samples of a road."""
    state = blank(STATE)
    run(course_of(road.vehicle), state, samples)
    return record(state).truck.sensor


def found(road: Road) -> list[Any]:
    return [one for one in judge(recorded(road), road.vehicle) if one.kind == KIND]


@pytest.mark.parametrize("coarse", [False, True], ids=["fine", "coarse"])
@pytest.mark.parametrize("period_s", [1, 5, 10, 30])
@pytest.mark.parametrize(("fault", "size"), [("sensor_noise", 5.0), ("sensor_bias", -13.0)])
def test_noise_and_steps_are_named_at_each_period(
    fault: str, size: float, period_s: int, coarse: bool
) -> None:
    road = replace(
        DRIVE, fault=fault, size=size, since_s=2000.0, period_s=period_s, coarse=coarse
    )
    first = found(road)[0]
    assert first.active
    assert 2000.0 <= first.second <= 2000.0 + 60.0 * max(10.0, period_s)
    assert first.priority == 2
    assert int(first.evidence[0]) == FLUID
    # Noise may first look like a step; a step never like noise.
    assert int(first.evidence[1]) in {WHAT[fault], STEPPED}


def _swinging(sensor: Sensor, *, busy: bool) -> list[Any]:
    """Read fluid that swings each half minute, in stop-and-go traffic or on a steady road; two hours."""
    random = np.random.default_rng(5)
    samples: list[Sample] = [
        {
            "time_ms": float(NOON_MS + 30_000 * row),
            "fluid_temp_c": round(70.0 + float(random.normal(0.0, 4.0)), 1),
            "coolant_temp_c": 80.0,
            "ambient_temp_c": -20.0,
            "speed_km_h": 30.0 * (row % 2) if busy else 60.0,
            "engine_rpm": 700.0 + 900.0 * (row % 2) if busy else 1_500.0,
            "engine_torque_nm": 200.0,
        }
        for row in range(240)
    ]
    seen = judge(records(tuple(samples)), replace(DRIVE.vehicle, sensor=sensor))
    return [int(one.evidence[1]) for one in seen if one.kind == KIND and one.active]


@pytest.mark.parametrize("sensor", ["converter_out", "cooler_line"])
def test_fluid_that_swings_with_the_load_is_noise_only_where_load_and_gear_stay(
    sensor: Sensor,
) -> None:
    assert _swinging(sensor, busy=True) == []
    assert NOISY in _swinging(sensor, busy=False)


def test_in_the_sump_it_is_noise_in_stop_and_go_traffic_too() -> None:
    assert NOISY in _swinging("sump", busy=True)


@pytest.mark.parametrize("period_s", [10, 30])
@pytest.mark.parametrize("position", ["converter_out", "cooler_line"])
def test_noise_beyond_the_converter_is_named_on_a_road_that_is_steady_for_the_most_part(
    position: Sensor, period_s: int
) -> None:
    road = replace(
        DRIVE,
        route="flat",
        position=position,
        period_s=period_s,
        fault="sensor_noise",
        size=5.0,
        since_s=2000.0,
        hours=2.0,
    )
    assert NOISY in [int(one.evidence[1]) for one in found(road) if one.active]


@pytest.mark.parametrize("position", ["converter_out", "cooler_line"])
def test_a_sound_sensor_of_a_delivery_truck_in_the_frost_is_not_accused(
    position: Sensor,
) -> None:
    road = replace(DRIVE, route="city", position=position, period_s=30, mean_c=-25.0, hours=3.0)
    assert found(replace(road, start_c=None)) == []


@pytest.mark.parametrize("period_s", [1, 5, 10])
def test_a_frozen_fine_sensor_is_named_within_ten_minutes(period_s: int) -> None:
    road = replace(DRIVE, fault="sensor_frozen", since_s=2000.0, period_s=period_s)
    first = found(road)[0]
    assert 2000.0 < first.second <= 2600.0
    assert int(first.evidence[1]) == FROZEN


def test_a_frozen_coarse_sensor_is_named_where_a_cold_truck_must_warm() -> None:
    road = replace(
        DRIVE,
        route="flat",
        fault="sensor_frozen",
        since_s=240.0,
        coarse=True,
        start_c=None,
        mean_c=-10.0,
        hours=1.2,
    )
    first = found(road)[0]
    assert int(first.evidence[1]) == FROZEN


@pytest.mark.parametrize("size", [0.3, 0.6, 0.9])
def test_lost_values_are_no_fault(size: float) -> None:
    road = replace(DRIVE, fault="sensor_dropout", size=size, since_s=600.0)
    assert found(road) == []


def test_a_mended_sensor_ends_the_alarm_by_itself() -> None:
    road = replace(DRIVE, fault="sensor_noise", size=6.0, since_s=1200.0)
    spoilt, sound = recorded(road), recorded(DRIVE)
    late = spoilt["time_ms"] >= START_MS + 2_400_000
    mended = spoilt.copy()
    mended["fluid_temp_c"][late] = sound["fluid_temp_c"][late]
    seen = [one for one in judge(mended, DRIVE.vehicle) if one.kind == KIND]
    assert [one.active for one in seen] == [True, False]


def test_a_frozen_value_that_moves_again_is_forgotten() -> None:
    road = replace(DRIVE, fault="sensor_frozen", since_s=1200.0)
    spoilt, sound = recorded(road), recorded(DRIVE)
    late = spoilt["time_ms"] >= START_MS + 3_000_000
    spoilt = spoilt.copy()
    spoilt["fluid_temp_c"][late] = sound["fluid_temp_c"][late]
    assert watched(spoilt[spoilt["time_ms"] < START_MS + 3_000_000]).p_frozen > 0.9
    assert watched(spoilt).p_frozen < 0.01


@pytest.mark.parametrize("wild_c", [-50.0, 299.0, 160.0])
def test_one_wild_reading_is_counted_and_neither_charged_nor_believed(wild_c: float) -> None:
    sound = recorded(DRIVE)
    row = int(np.flatnonzero(~np.isnan(sound["fluid_temp_c"]))[300])
    spoilt, gone = sound.copy(), sound.copy()
    spoilt["fluid_temp_c"][row] = wild_c
    gone["fluid_temp_c"][row] = math.nan
    states = []
    for samples in (spoilt, gone):
        state = blank(STATE)
        assert run(course_of(DRIVE.vehicle), state, samples) == []
        states.append(record(state).truck)
    with_it, without_it = states
    assert with_it.latest.fluid_glitches == 1
    assert with_it.account.tobytes() == without_it.account.tobytes()
    assert with_it.sensor.p_fault < 0.1


def test_a_leap_that_the_next_reading_confirms_is_believed_and_flagged() -> None:
    sound = recorded(DRIVE)
    leapt = sound.copy()
    leapt["fluid_temp_c"][200:] += 60.0
    state = blank(STATE)
    course = course_of(DRIVE.vehicle)
    run(course, state, leapt[:201])
    assert math.isnan(record(state).truck.latest.fluid_c)
    run(course, state, leapt[201:205])
    truck = record(state).truck
    assert truck.latest.fluid_c == leapt["fluid_temp_c"][204]
    assert truck.latest.fluid_glitches == 0
    assert truck.sensor.p_fault > 0.95
    assert truck.sensor.bias_k == pytest.approx(60.0, abs=3.0)


def test_the_step_is_told_in_one_sample_only() -> None:
    road = replace(DRIVE, fault="sensor_bias", size=13.0, since_s=2000.0)
    samples, state = recorded(road), blank(STATE)
    course = course_of(road.vehicle)
    steps = []
    for row in range(len(samples)):
        run(course, state, samples[row : row + 1])
        steps.append(float(record(state).truck.sensor.step_k))
    told = [one for one in steps if one != 0.0]
    assert told
    assert told[0] == pytest.approx(13.0, abs=1.5)
    assert sum(told) == pytest.approx(13.0, abs=1.5)


def test_a_restart_at_a_doubtful_reading_changes_nothing() -> None:
    leapt = recorded(DRIVE).copy()
    leapt["fluid_temp_c"][200:] += 60.0
    course, whole = course_of(DRIVE.vehicle), blank(STATE)
    run(course, whole, leapt)
    state = blank(STATE)
    run(course, state, leapt[:201])
    state = copied(state)
    run(course, state, leapt[201:])
    assert state.tobytes() == whole.tobytes()


def _driven(minutes: float, *gone: str, since_min: float = 10.0) -> Any:
    """Drive on without signals that were there at first."""
    samples = recorded(DRIVE)
    samples = samples[samples["time_ms"] <= START_MS + 60_000 * minutes]
    late = samples["time_ms"] > START_MS + 60_000 * since_min
    thin = without(samples, *gone)
    thin[~late] = samples[~late]
    return thin


def test_what_no_longer_comes_is_noted_with_its_time_and_no_alarm() -> None:
    thin = _driven(60, "ambient_temp_c", "engine_load_pct", "engine_torque_nm")
    others = watched(thin).others
    assert START_MS < others.air_missing_since_ms <= START_MS + 22 * MINUTE_MS
    assert START_MS < others.load_missing_since_ms <= START_MS + 13 * MINUTE_MS
    assert others.fluid_missing_since_ms == 0
    assert raised(judge(thin, DRIVE.vehicle), KIND) == []


def test_a_fluid_signal_that_stops_is_told_after_half_an_hour_of_driving() -> None:
    assert raised(judge(_driven(38, "fluid_temp_c"), DRIVE.vehicle), KIND) == []
    seen = [
        one for one in judge(_driven(60, "fluid_temp_c"), DRIVE.vehicle) if one.kind == KIND
    ]
    assert [(one.active, one.priority) for one in seen] == [(True, 1)]
    assert [int(one) for one in seen[0].evidence[:2]] == [FLUID, MISSING]


def test_a_fluid_signal_that_never_came_is_no_fault() -> None:
    assert raised(judge(without(recorded(DRIVE), "fluid_temp_c"), DRIVE.vehicle), KIND) == []


Morning = Callable[[int], tuple[float, float, float]]


@cache
def _days(days: int, morning: Morning) -> tuple[Sample, ...]:
    """Drive an hour each day, warm within minutes; ``morning`` gives fluid, coolant and air at the start."""
    samples: list[Sample] = []
    for day in range(days):
        fluid_c, coolant_c, air_c = morning(day)
        for step in range(361):
            share = min(1.0, step / 120.0)
            flicker = 0.1 * ((7 * step) % 3 - 1)
            samples.append(
                {
                    "time_ms": float(NOON_MS + day * 24 * HOUR_MS + 10_000 * step),
                    "fluid_temp_c": round(fluid_c + share * (85.0 - 20.0) + flicker, 1),
                    "coolant_temp_c": coolant_c + share * (85.0 - 20.0),
                    "ambient_temp_c": air_c,
                    "speed_km_h": 0.0 if step in (0, 360) else 60.0,
                    "engine_rpm": 0.0 if step == 360 else 1_500.0,
                    "engine_torque_nm": 200.0,
                }
            )
    return tuple(samples)


def _healthy(day: int) -> tuple[float, float, float]:
    return 20.0 + (day % 3) * 0.5, 20.0, 19.0 + day % 2


def _biased(day: int) -> tuple[float, float, float]:
    fluid_c, coolant_c, air_c = _healthy(day)
    return fluid_c + (11.0 if day >= 3 else 0.0), coolant_c, air_c


def _odd_air(day: int) -> tuple[float, float, float]:
    return 20.0, 20.0, -40.0 if day >= 2 else 20.0


def _events(morning: Morning, days: int) -> list[Any]:
    return judge(records(_days(days, morning)), DRIVE.vehicle)


def test_healthy_mornings_raise_nothing() -> None:
    assert raised(_events(_healthy, 10), KIND) == []


def test_a_sensor_off_after_nights_is_told_with_its_size() -> None:
    seen = [one for one in _events(_biased, 8) if one.kind == KIND]
    assert seen[0].active
    assert seen[0].evidence[14] == pytest.approx(11.0, abs=2.0)


def test_air_that_reads_its_default_is_the_odd_one_and_not_the_fluid() -> None:
    seen = [one for one in _events(_odd_air, 8) if one.kind == KIND]
    assert int(seen[0].evidence[0]) == AIR
    assert seen[0].priority == 1


def _sets_off_hard(day: int) -> tuple[float, float, float]:
    fluid_c, coolant_c, air_c = _healthy(day)
    return fluid_c + 25.0, coolant_c, air_c


def _reads_cold(day: int) -> tuple[float, float, float]:
    fluid_c, coolant_c, air_c = _healthy(day)
    return fluid_c - 25.0, coolant_c, air_c


def _first_read_after(late_s: float, morning: Morning, sensor: Sensor) -> list[float]:
    """Give when the fluid's sensor is accused of a truck that reads it so late each day."""
    samples = records(_days(6, morning))
    since_s = (samples["time_ms"] - NOON_MS) % (24 * HOUR_MS) / 1000.0
    samples["fluid_temp_c"][since_s < late_s] = math.nan
    return raised(judge(samples, replace(DRIVE.vehicle, sensor=sensor)), KIND)


@pytest.mark.parametrize("sensor", ["converter_out", "cooler_line"])
def test_fluid_heated_by_a_hard_start_before_it_is_read_accuses_no_sensor(
    sensor: Sensor,
) -> None:
    assert _first_read_after(40.0, _sets_off_hard, sensor) == []


def test_in_the_sump_no_start_heats_it_so_fast() -> None:
    assert _first_read_after(40.0, _sets_off_hard, "sump") != []


def test_nor_does_a_start_explain_fluid_that_reads_hot_at_once_or_late_and_cold() -> None:
    assert _first_read_after(0.0, _sets_off_hard, "converter_out") != []
    assert _first_read_after(40.0, _reads_cold, "converter_out") != []


@pytest.mark.parametrize("kind", ["circuit", "gearbox"])
def test_a_recorded_repair_begins_the_watch_again(kind: str) -> None:
    params, state = fill_params(), blank(STATE)
    advance(params, state, 0, records(_days(6, _biased)))
    assert record(state).truck.sensor.p_fault > 0.5
    count(params, state, entry(kind, NOON_MS + 7 * 24 * HOUR_MS))
    assert not any(record(state).truck.sensor.tobytes())
