"""The compiled physics is the physics: the same truck on the same road, step for step."""

from __future__ import annotations

import math
from random import Random
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from simulator.fast.records import cold_truck, effects_record, spec_record
from simulator.fast.truck import (
    LONGEST_TRIP_S,
    STRETCH,
    TRUE,
    air_record,
    rest,
    step,
    trip,
)
from simulator.faults import Fault, apply_to_truck
from simulator.northfold import northfold
from simulator.physics.truck import Truck
from simulator.physics.weather import Weather
from simulator.plan import TruckPlan
from simulator.routes import Duty, Route, Segment, drive, long_climb
from simulator.trucks import truck_plan, truck_spec
from simulator.years.roads import stretches

PLANS = {
    **{plan.vehicle: plan for plan in northfold().plans},
    "air": truck_plan("air", circuit="radiator_tank", air_cooler=True, route=long_climb()),
}
START_S = 1.7e9
FAULTS = (
    (),
    (Fault(kind="bypass_stuck", since_s=0.0, size=0.8),),
    (Fault(kind="cooler_starved", since_s=0.0), Fault(kind="cooler_flow", since_s=0.0)),
    (Fault(kind="lockup_slip", since_s=0.0),),
    (Fault(kind="coolant_valve_stuck", since_s=0.0, size=0.3),),
)


class Gusts(Random):
    """Draws for both from one generator, in the order in which the steps ask."""

    def __init__(self, seed: int) -> None:
        super().__init__(seed)
        self._numbers = np.random.default_rng(seed)

    def gauss(self, mu: float = 0.0, sigma: float = 1.0) -> float:
        return mu + sigma * float(self._numbers.standard_normal())


def by_classes(plan: TruckPlan, faults: tuple[Fault, ...], seconds: int) -> Truck:
    truck = Truck(plan.spec, weather=plan.weather, start_s=START_S, rng=Gusts(7))
    truck.thermal.line_c = truck.thermal.return_c = truck.ambient_c
    duty = Duty(plan.route)
    apply_to_truck(faults, 0.0, truck.effects)
    for elapsed in range(seconds):
        segment = duty.follow(elapsed, truck.distance_m)
        truck.step(
            1.0,
            START_S + elapsed,
            target_m_s=segment.speed_km_h / 3.6,
            grade_pct=segment.grade_pct,
            trailer_kg=segment.trailer_kg,
            engine_on=segment.engine_on,
        )
    return truck


def stretch(segment: Segment) -> NDArray[Any]:
    nothing = math.nan
    return np.array(
        [
            (
                nothing if segment.duration_s is None else segment.duration_s,
                nothing if segment.distance_m is None else segment.distance_m,
                segment.speed_km_h / 3.6,
                segment.grade_pct,
                segment.trailer_kg,
                int(segment.engine_on),
            )
        ],
        STRETCH,
    )


def compiled(plan: TruckPlan, faults: tuple[Fault, ...], seconds: int) -> Any:
    spec, effects = spec_record(plan.spec), effects_record(faults, 0.0)
    truck = cold_truck(plan.weather.ambient_c(START_S), plan.spec)
    air, numbers, duty = air_record(plan.weather), np.random.default_rng(7), Duty(plan.route)
    for elapsed in range(seconds):
        segment = stretch(duty.follow(elapsed, float(truck[0]["distance_m"])))
        step(spec[0], truck[0], effects[0], segment[0], 1.0, START_S + elapsed, air[0], numbers)
    return truck[0]


def same(truck: Truck, record: Any) -> None:
    line, thermal = truck.driveline, truck.thermal
    told = {
        "speed_m_s": truck.speed_m_s,
        "distance_m": truck.distance_m,
        "engine_s": truck.engine_s,
        "ambient_c": truck.ambient_c,
        "engine_rpm": line.engine_rpm,
        "engine_nm": line.engine_nm,
        "full_nm": line.full_nm,
        "slip_rpm": line.slip_rpm,
        "gear": line.gear,
        "lockup": line.lockup,
        "converter_w": line.converter_w,
        "gearbox_w": line.gearbox_w,
        "converter_c": thermal.converter_c,
        "sump_c": thermal.sump_c,
        "metal_c": thermal.metal_c,
        "line_c": thermal.line_c,
        "return_c": thermal.return_c,
        "cooling_w": thermal.cooling_w,
        "air_cooling_w": thermal.air_cooling_w,
        "element_c": thermal.valve.element_c,
        "opening": thermal.valve.opening,
        "coolant_c": truck.coolant.temp_c,
        "fan": truck.coolant.fan,
    }
    for name, value in told.items():
        assert float(record[name]) == pytest.approx(float(value), rel=1e-7, abs=1e-7), name


@pytest.mark.parametrize("vehicle", PLANS)
@pytest.mark.parametrize("faults", FAULTS, ids=lambda faults: "+".join(f.kind for f in faults))
def test_the_same_steps_give_the_same_truck(vehicle: str, faults: tuple[Fault, ...]) -> None:
    plan = PLANS[vehicle]
    same(by_classes(plan, faults, 2_400), compiled(plan, faults, 2_400))


def test_a_trip_ends_where_it_should_and_the_gateway_hears_it_stand() -> None:
    plan = PLANS["NF-01"]
    spec, effects = spec_record(plan.spec), effects_record((), 0.0)
    truck, rows = cold_truck(10.0, plan.spec), np.empty((500, len(TRUE)))
    road = stretches(plan.route, np.random.default_rng(3))
    air = air_record(Weather())
    seconds, count = trip(
        spec, truck, effects, road, START_S, air, np.random.default_rng(3), 30, 40_000.0, rows
    )
    at = {name: rows[:count, place] for place, name in enumerate(TRUE)}
    assert 40_000.0 < at["distance_m"][-1] < 40_400.0
    assert (np.diff(at["elapsed_s"]) == 30.0).all()
    assert at["speed_m_s"][-1] == at["running"][-1] == 0.0
    assert seconds - at["elapsed_s"][-1] < 30.0
    # A truck that rests comes to the air's temperature, and its counters stand still.
    rest(spec, truck, effects, START_S, 20 * 3600.0, air, np.random.default_rng(3))
    assert abs(truck["sump_c"][0] - truck["ambient_c"][0]) < 4.0
    assert truck["distance_m"][0] == at["distance_m"][-1]


def test_a_truck_that_cannot_go_on_ends_its_trip() -> None:
    plan = PLANS["NF-01"]
    route = Route(name="wall", segments=(drive(60, 40, grade_pct=60.0, trailer_kg=9e3),))
    spec, effects = spec_record(plan.spec), effects_record((), 0.0)
    truck, rows = cold_truck(10.0, plan.spec), np.empty((2_000, len(TRUE)))
    road = stretches(route, np.random.default_rng(3))
    air = air_record(Weather())
    seconds, _ = trip(
        spec, truck, effects, road, START_S, air, np.random.default_rng(3), 60, 9e6, rows
    )
    assert LONGEST_TRIP_S < seconds < LONGEST_TRIP_S + 300
    assert truck["distance_m"][0] < 9e6


def test_the_compiled_truck_has_every_number_of_its_parts() -> None:
    spec = truck_spec("heavy", "radiator_tank", air_cooler=True)
    record = spec_record(spec)[0]
    assert record["gears"] == len(spec.driveline.ratios)
    assert list(record["ratios"][: record["gears"]]) == list(spec.driveline.ratios)
    for part in (spec.body, spec.driveline, spec.thermal, spec.coolant):
        for name in part.__dataclass_fields__:
            if name not in ("ratios", "circuit"):
                assert record[name] == getattr(part, name), name
