"""Northfold Towing & Haulage: the invented demo fleet and its day.

The day starts at 06:00 UTC, late morning where these trucks are. What happens is in ``EVENTS``;
all else is healthy. The fleet file beside this module is the one the daemon reads.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from typing import Any

from simulator.faults import Fault
from simulator.gateway import GatewayPlan
from simulator.physics.truck import TruckSpec
from simulator.physics.weather import Weather
from simulator.plan import Fleet, Registration, TruckPlan
from simulator.routes import (
    Route,
    city_delivery,
    drive,
    empty_run,
    flat_tow,
    idle,
    park,
    rolling_hills,
)
from simulator.sensors import BASIC, WITH_LINES, WITH_SLIP, WITH_TORQUE, SensorFit, coarse
from simulator.trucks import truck_spec

NAME = "Northfold Towing & Haulage"

START_MS = 1_781_589_600_000
"""2026-06-16T06:00:00Z, the usual start of the day [ms]."""

DAY_S = 8 * 3_600
"""Length of the day [s]."""

WEATHER = Weather(mean_c=25.0, swing_c=8.0, peak_hour=9.0)

BYPASS_STICKS_S = 3_600.0
SILENT_SINCE_S = 8_400.0
SILENT_UNTIL_S = 12_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One thing that happens: seconds after the start, which truck, what."""

    since_s: float
    until_s: float
    vehicle: str
    what: str


EVENTS = (
    Event(
        since_s=BYPASS_STICKS_S,
        until_s=DAY_S,
        vehicle="NF-03",
        what="bypass valve sticks; the climb cooks the fluid past 135 °C",
    ),
    Event(
        since_s=6_600.0,
        until_s=10_200.0,
        vehicle="NF-05",
        what="plain overload on a long hot climb: above 125 °C with a working cooler",
    ),
    Event(
        since_s=SILENT_SINCE_S,
        until_s=SILENT_UNTIL_S,
        vehicle="NF-08",
        what="gateway silent while driving; comes back with its stored backlog",
    ),
    Event(
        since_s=10_400.0,
        until_s=DAY_S,
        vehicle="NF-07",
        what="service falls due by distance",
    ),
)


def fleet_file() -> str:
    """Return the text of the fleet file."""
    return resources.files(__package__).joinpath("northfold.toml").read_text(encoding="utf-8")


def northfold() -> Fleet:
    """Return the fleet with its day."""
    file = tomllib.loads(fleet_file())
    plans = tuple(
        replace(plan, registration=_registration(vehicle, file["vehicles"][vehicle]))
        for vehicle, plan in _plans().items()
    )
    return Fleet(name=NAME, plans=plans, fluids=file["fluids"])


def _registration(vehicle: str, keys: Mapping[str, Any]) -> Registration:
    named = {"truck_class" if key == "class" else key: value for key, value in keys.items()}
    return Registration(vehicle=vehicle, **named)


def _plan(vehicle: str, spec: TruckSpec, route: Route, fit: SensorFit) -> TruckPlan:
    return TruckPlan(
        registration=Registration(vehicle=vehicle),
        spec=spec,
        route=route,
        fit=fit,
        weather=WEATHER,
        start_temp_c=68.0,
    )


@cache
def _plans() -> Mapping[str, TruckPlan]:
    plans = (
        _yard_truck(),
        _town_truck(),
        _bypass_truck(),
        _low_loader(),
        _overloaded_truck(),
        _old_truck(),
        _service_truck(),
        _silent_truck(),
        _line_truck(),
        _empty_truck(),
    )
    return {plan.vehicle: plan for plan in plans}


def _yard_truck() -> TruckPlan:
    """Tow on the flat all day."""
    return replace(
        _plan(
            "NF-01",
            truck_spec("pickup", "thermostatic_bypass"),
            flat_tow(5_000.0),
            SensorFit(signals=WITH_TORQUE, period_s=10),
        ),
        odometer_km=76_420.0,
    )


def _town_truck() -> TruckPlan:
    """Deliver in town, six samples a message, Unix times."""
    return replace(
        _plan(
            "NF-02",
            truck_spec("medium", "full_flow"),
            city_delivery(2_500.0),
            SensorFit(signals=WITH_TORQUE, period_s=5),
        ),
        gateway=GatewayPlan(time_form="unix", samples_per_message=6),
        odometer_km=52_310.0,
    )


def _low_loader() -> TruckPlan:
    """Tow heavy with a coolant exchanger and its valve."""
    return replace(
        _plan(
            "NF-04",
            truck_spec("heavy", "coolant_exchanger", coolant_valve=True),
            flat_tow(9_000.0),
            SensorFit(signals=WITH_SLIP, period_s=10),
        ),
        odometer_km=131_905.0,
    )


def _old_truck() -> TruckPlan:
    """Read whole degrees every half minute, by a clock that is wrong."""
    return replace(
        _plan(
            "NF-06",
            truck_spec("pickup", "radiator_tank"),
            flat_tow(3_500.0),
            coarse(SensorFit(signals=BASIC, period_s=30, lost=0.02)),
        ),
        gateway=GatewayPlan(clock_offset_s=2.5, clock_drift_ppm=40.0),
        odometer_km=155_030.0,
    )


def _line_truck() -> TruckPlan:
    """Read every second, with sensors in the cooler lines."""
    return replace(
        _plan(
            "NF-09",
            truck_spec("pickup", "thermostatic_bypass"),
            rolling_hills(3_500.0),
            SensorFit(signals=WITH_LINES, period_s=1),
        ),
        gateway=GatewayPlan(samples_per_message=10, duplicate_chance=0.01),
        odometer_km=21_777.0,
    )


def _empty_truck() -> TruckPlan:
    """Run empty, with the sensor at the converter's outlet."""
    return replace(
        _plan(
            "NF-10",
            truck_spec("heavy", "full_flow"),
            empty_run(),
            SensorFit(signals=WITH_TORQUE, period_s=10, position="converter_out"),
        ),
        odometer_km=211_640.0,
    )


def _bypass_truck() -> TruckPlan:
    """Work an hour in health, then climb with the valve stuck, stop, cool, limp home empty."""
    load = 7_000.0
    route = Route(
        name="quarry run",
        segments=(
            drive(20, 78, trailer_kg=load),
            drive(10, 66, grade_pct=3.0, trailer_kg=load),
            drive(12, 80, trailer_kg=load),
            drive(10, 66, grade_pct=2.5, trailer_kg=load),
            drive(12, 78, trailer_kg=load),
            drive(19, 64, grade_pct=4.0, trailer_kg=load),
            idle(12, trailer_kg=load),
            park(80, trailer_kg=load),
            drive(50, 60, trailer_kg=0.0),
            park(600),
        ),
    )
    plan = _plan(
        "NF-03",
        truck_spec("medium", "thermostatic_bypass"),
        route,
        SensorFit(signals=WITH_TORQUE, period_s=10),
    )
    return replace(
        plan,
        faults=(Fault(kind="bypass_stuck", since_s=BYPASS_STICKS_S),),
        odometer_km=61_250.0,
        start_temp_c=76.0,
    )


def _overloaded_truck() -> TruckPlan:
    """Tow far too much up a long grade in third gear, where the converter never locks."""
    load = 9_500.0
    spec = truck_spec("pickup", "thermostatic_bypass")
    spec = replace(
        spec,
        driveline=replace(spec.driveline, lockup_gear=4),
        thermal=replace(spec.thermal, flow_l_min=14.0, cooler_ua_w_k=270.0),
    )
    route = Route(
        name="big trailer",
        segments=(
            drive(50, 75, trailer_kg=6_000.0),
            idle(15, trailer_kg=6_000.0),
            drive(45, 72, trailer_kg=load),
            drive(50, 50, grade_pct=5.8, trailer_kg=load),
            drive(15, 60, trailer_kg=load),
            drive(60, 80, trailer_kg=load),
            park(45, trailer_kg=load),
            drive(100, 80),
            park(600),
        ),
    )
    plan = _plan("NF-05", spec, route, SensorFit(signals=WITH_SLIP, period_s=10))
    return replace(plan, odometer_km=97_480.0)


def _service_truck() -> TruckPlan:
    """Pass 86 400 km, where the service falls due, in the third hour."""
    plan = _plan(
        "NF-07",
        truck_spec("medium", "thermostatic_bypass"),
        flat_tow(6_500.0),
        SensorFit(signals=WITH_TORQUE, period_s=10),
    )
    return replace(plan, odometer_km=86_170.0)


def _silent_truck() -> TruckPlan:
    """Drive out of reach for an hour and send what was stored."""
    plan = _plan(
        "NF-08",
        truck_spec("pickup", "thermostatic_bypass"),
        rolling_hills(3_000.0),
        SensorFit(signals=WITH_TORQUE, period_s=5),
    )
    return replace(
        plan,
        faults=(Fault(kind="gateway_silent", since_s=SILENT_SINCE_S, until_s=SILENT_UNTIL_S),),
        odometer_km=36_604.0,
    )
