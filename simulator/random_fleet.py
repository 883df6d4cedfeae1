"""Fleets of any size, for captures and benches: ordinary trucks, some with a labelled fault."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from random import Random
from typing import TypeVar

from simulator.faults import Fault
from simulator.gateway import GatewayPlan
from simulator.physics.thermal import Circuit
from simulator.physics.weather import Weather
from simulator.plan import Fleet, TruckClass, TruckPlan
from simulator.routes import (
    Route,
    city_delivery,
    empty_run,
    flat_tow,
    long_climb,
    rolling_hills,
)
from simulator.sensors import BASIC, WITH_LINES, WITH_SLIP, WITH_TORQUE
from simulator.trucks import truck_plan

T = TypeVar("T")

CIRCUITS: tuple[tuple[Circuit, float], ...] = (
    ("thermostatic_bypass", 0.6),
    ("full_flow", 0.15),
    ("coolant_exchanger", 0.15),
    ("radiator_tank", 0.1),
)
CLASSES: tuple[tuple[TruckClass, float], ...] = (
    ("pickup", 0.5),
    ("medium", 0.35),
    ("heavy", 0.15),
)
TRAILER_KG: Mapping[TruckClass, float] = {
    "pickup": 4_500.0,
    "medium": 6_500.0,
    "heavy": 11_000.0,
}

#: Faults a circuit can have, beside those of what it is fitted with, of sensors and of gateways.
FAULTS: Mapping[Circuit, tuple[str, ...]] = {
    "thermostatic_bypass": (
        "bypass_stuck",
        "stuck_to_cooler",
        "cooler_starved",
        "cooler_flow",
        "lockup_slip",
    ),
    "full_flow": ("cooler_starved", "cooler_flow", "lockup_slip"),
    "coolant_exchanger": ("cooler_flow", "lockup_slip"),
    "radiator_tank": ("cooler_flow", "lockup_slip"),
}
OF_COOLANT_VALVE = ("coolant_valve_stuck",)
OF_AIR_COOLER = ("cooler_starved",)
SENSOR_FAULTS = (
    "sensor_frozen",
    "sensor_drift",
    "sensor_bias",
    "sensor_noise",
    "sensor_dropout",
    "ambient_missing",
    "gateway_silent",
)
ROUTES: tuple[Callable[[float], Route], ...] = (flat_tow, long_climb, rolling_hills)


def random_fleet(
    seed: int,
    count: int,
    *,
    faulty_share: float = 0.3,
    hours: float = 8.0,
    kinds: tuple[str, ...] | None = None,
    prefix: str = "RF",
) -> Fleet:
    """Return ``count`` trucks drawn by ``seed``; ``kinds`` limits the faults drawn."""
    plans = tuple(
        _draw(
            f"{prefix}-{number:04d}",
            Random(f"{seed}/{prefix}/{number}"),
            faulty_share,
            hours,
            kinds,
        )
        for number in range(1, count + 1)
    )
    return Fleet(name="random", plans=plans)


def _draw(
    vehicle: str, rng: Random, faulty_share: float, hours: float, kinds: tuple[str, ...] | None
) -> TruckPlan:
    circuit = _pick(rng, CIRCUITS)
    truck_class = _pick(rng, CLASSES)
    valve, air = fittings(rng, circuit)
    faults: tuple[Fault, ...] = ()
    if rng.random() < faulty_share:
        able = able_faults(circuit, coolant_valve=valve, air_cooler=air)
        faults = _fault(rng, able, hours, kinds)
    plan = truck_plan(
        vehicle,
        truck_class=truck_class,
        circuit=circuit,
        coolant_valve=valve,
        air_cooler=air,
        route=_route(rng, TRAILER_KG[truck_class]),
        faults=faults,
        signals=rng.choice((BASIC, WITH_TORQUE, WITH_TORQUE, WITH_SLIP, WITH_LINES)),
        period_s=rng.choice((5, 10, 10, 30)),
        weather=Weather(mean_c=rng.uniform(5.0, 28.0), swing_c=rng.uniform(3.0, 9.0)),
        gateway=GatewayPlan(
            samples_per_message=rng.choice((1, 1, 6)),
            duplicate_chance=rng.choice((0.0, 0.0, 0.02)),
            clock_offset_s=rng.gauss(0.0, 1.0),
            time_form=rng.choice(("rfc3339", "unix")),
        ),
        start_temp_c=rng.choice((None, 60.0, 75.0)),
    )
    return _scatter(rng, plan)


def fittings(rng: Random, circuit: Circuit) -> tuple[bool, bool]:
    """Draw whether a circuit has a coolant valve, and an air cooler behind its tank."""
    return (
        circuit == "coolant_exchanger" and rng.random() < 0.6,
        circuit == "radiator_tank" and rng.random() < 0.5,
    )


def able_faults(
    circuit: Circuit, *, coolant_valve: bool = False, air_cooler: bool = False
) -> tuple[str, ...]:
    """Name the faults that a circuit with such fittings can have."""
    return (
        *(OF_COOLANT_VALVE if coolant_valve else ()),
        *(OF_AIR_COOLER if air_cooler else ()),
        *FAULTS[circuit],
    )


def _route(rng: Random, trailer_kg: float) -> Route:
    draw = rng.random()
    if draw < 0.15:
        return empty_run()
    if draw < 0.3:
        return city_delivery(0.3 * trailer_kg)
    return rng.choice(ROUTES)(trailer_kg * rng.uniform(0.7, 1.15))


def _fault(
    rng: Random, able: tuple[str, ...], hours: float, kinds: tuple[str, ...] | None
) -> tuple[Fault, ...]:
    able = (*able, *SENSOR_FAULTS)
    if kinds is not None:
        able = tuple(kind for kind in able if kind in kinds)
    if not able:
        return ()
    kind = rng.choice(able)
    since_s = 3_600.0 * hours * rng.uniform(0.25, 0.6)
    until_s = since_s + 3_600.0 if kind == "gateway_silent" else None
    return (Fault(kind=kind, since_s=since_s, until_s=until_s),)


def _scatter(rng: Random, plan: TruckPlan) -> TruckPlan:
    """Make no two trucks of a class alike, and none what its fleet file says to the letter."""
    thermal = plan.spec.thermal
    shift_k = rng.gauss(0.0, 1.0)
    thermal = replace(
        thermal,
        sump_j_k=thermal.sump_j_k * rng.uniform(0.85, 1.15),
        metal_j_k=thermal.metal_j_k * rng.uniform(0.85, 1.15),
        cooler_ua_w_k=thermal.cooler_ua_w_k * rng.uniform(0.85, 1.15),
        case_per_root_speed_w_k=thermal.case_per_root_speed_w_k * rng.uniform(0.8, 1.2),
        valve_open_c=thermal.valve_open_c + shift_k,
        valve_full_c=thermal.valve_full_c + shift_k,
        valve_hysteresis_k=rng.uniform(3.0, 8.0),
        valve_lag_s=rng.uniform(10.0, 60.0),
    )
    driveline = replace(
        plan.spec.driveline, mesh_loss=plan.spec.driveline.mesh_loss * rng.uniform(0.85, 1.15)
    )
    spec = replace(plan.spec, thermal=thermal, driveline=driveline)
    return replace(
        plan,
        spec=spec,
        odometer_km=round(rng.uniform(80_000.0, 160_000.0), 1),
        engine_hours_h=round(rng.uniform(2_000.0, 5_000.0), 1),
    )


def _pick(rng: Random, choices: tuple[tuple[T, float], ...]) -> T:
    return rng.choices([c for c, _ in choices], [w for _, w in choices])[0]
