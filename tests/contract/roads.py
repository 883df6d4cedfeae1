"""Simulated trucks for the detectors: recorded once, judged by the kernel alone.

The simulator shares no physics with the models, and the detectors are told only what a fleet file says.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from ingest.wire import WireRules, decode
from models import fleet as models_fleet
from models.course import Course, run
from models.fleet import Circuit, Limits, ThermalClass, Vehicle
from models.kernel import KINDS, STATE
from models.layout import blank
from review.trucks import courses_of
from simulator.capture import fleet_messages
from simulator.faults import Fault
from simulator.physics.weather import Weather
from simulator.plan import Fleet, TruckPlan
from simulator.routes import (
    Route,
    city_delivery,
    drive,
    empty_run,
    flat_tow,
    idle,
    long_climb,
    rolling_hills,
)
from simulator.sensors import BASIC, WITH_LINES, WITH_SLIP, WITH_TORQUE, Position, coarse
from simulator.trucks import truck_plan

START_MS = 1_767_250_800_000
"""2026-01-01T07:00:00Z."""

HOUR_MS = 3_600_000
Signals = Literal["basic", "torque", "slip", "lines"]
SIGNALS: dict[str, tuple[str, ...]] = {
    "basic": BASIC,
    "torque": WITH_TORQUE,
    "slip": WITH_SLIP,
    "lines": WITH_LINES,
}
LOADS: dict[str, float] = {"pickup": 4_500.0, "medium": 6_500.0, "heavy": 11_000.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Road:
    """One simulated truck and its hours."""

    route: str = "climb"
    truck_class: ThermalClass = "medium"
    circuit: Circuit = "thermostatic_bypass"
    coolant_valve: bool = False
    air_cooler: bool = False
    position: Position = "sump"
    mean_c: float = 20.0
    period_s: int = 10
    signals: Signals = "torque"
    coarse: bool = False
    lost: float = 0.0
    hours: float = 2.0
    fault: str = ""
    since_s: float = 3600.0
    size: float | None = None
    start_c: float | None = 70.0
    seed: int = 1

    @property
    def vehicle(self) -> Vehicle:
        """The truck as the fleet file has it."""
        torque = _plan(self).registration.rated_torque_nm
        return Vehicle(
            name="NF-01",
            circuit=self.circuit,
            coolant_valve=self.coolant_valve,
            air_cooler=self.air_cooler,
            thermal_class=self.truck_class,
            sensor=self.position,
            rated_torque_nm=torque,
            limits=Limits(service_distance_km=100_000.0),
        )


def _route(name: str, load_kg: float) -> Route:
    if name == "overload":
        heavy = 2.1 * load_kg
        return Route(
            name="far too much",
            segments=(
                drive(30, 70, trailer_kg=heavy),
                idle(10, trailer_kg=heavy),
                drive(45, 50, grade_pct=5.8, trailer_kg=heavy),
                drive(60, 75, trailer_kg=heavy),
            ),
        )
    makers: dict[str, Callable[[float], Route]] = {
        "flat": flat_tow,
        "climb": long_climb,
        "hills": rolling_hills,
        "city": lambda load: city_delivery(0.3 * load),
        "empty": lambda _: empty_run(),
    }
    return makers[name](load_kg)


def _plan(road: Road) -> TruckPlan:
    faults: tuple[Fault, ...] = ()
    if road.fault:
        faults = (Fault(kind=road.fault, since_s=road.since_s, size=road.size),)
    plan = truck_plan(
        "NF-01",
        truck_class=road.truck_class,
        circuit=road.circuit,
        coolant_valve=road.coolant_valve,
        air_cooler=road.air_cooler,
        route=_route(road.route, LOADS[road.truck_class]),
        faults=faults,
        signals=SIGNALS[road.signals],
        period_s=road.period_s,
        position=road.position,
        weather=Weather(mean_c=road.mean_c, swing_c=4.0),
        start_temp_c=road.start_c,
    )
    fit = coarse(plan.fit) if road.coarse else plan.fit
    plan = replace(plan, fit=replace(fit, lost=road.lost))
    if road.route == "overload":
        # Too small a cooler for the job, and a converter that does not lock in the gears of a climb.
        thermal = replace(
            plan.spec.thermal, cooler_ua_w_k=0.85 * plan.spec.thermal.cooler_ua_w_k
        )
        driveline = replace(plan.spec.driveline, lockup_gear=4)
        plan = replace(plan, spec=replace(plan.spec, thermal=thermal, driveline=driveline))
    return plan


@cache
def recorded(road: Road) -> NDArray[Any]:
    """Drive, and decode what the gateway sent."""
    fleet = Fleet(name="one truck", plans=(_plan(road),))
    sent = fleet_messages(
        fleet, start_ms=START_MS, duration_s=3600.0 * road.hours, seed=road.seed
    )
    parts = [
        decode(
            one.topic, one.payload, now_ms=START_MS + 24 * HOUR_MS, rules=WireRules()
        ).samples
        for one in sent
    ]
    samples = np.concatenate(parts)
    return samples[np.argsort(samples["time_ms"], kind="stable")]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One transition; times in seconds after the start."""

    kind: str
    second: float
    active: bool
    priority: int
    probability: float
    evidence: tuple[float, ...]


def course_of(vehicle: Vehicle) -> Course:
    fleet = models_fleet.Fleet(vehicles={vehicle.name: vehicle})
    return courses_of(fleet, max_gap_s=300.0, silent_after_s=900.0)(vehicle.name, ())


def findings(blocks: Sequence[NDArray[Any]]) -> list[Finding]:
    return [
        Finding(
            kind=KINDS[int(event["kind"])],
            second=(int(event["time_ms"]) - START_MS) / 1000.0,
            active=bool(event["active"]),
            priority=int(event["priority"]),
            probability=float(event["probability"]),
            evidence=tuple(float(one) for one in event["evidence"]),
        )
        for block in blocks
        for event in block
    ]


def judge(samples: NDArray[Any], vehicle: Vehicle) -> list[Finding]:
    return findings(run(course_of(vehicle), blank(STATE), samples))


def judged(road: Road) -> list[Finding]:
    return judge(recorded(road), road.vehicle)


def raised(found: Sequence[Finding], kind: str) -> list[float]:
    """Seconds at which alarms of a kind were raised."""
    return [one.second for one in found if one.kind == kind and one.active]


def without(samples: NDArray[Any], *names: str) -> NDArray[Any]:
    """Give the samples with signals taken out."""
    left = samples.copy()
    for name in names:
        left[name] = np.nan
    return left


def seconds_at(samples: NDArray[Any], celsius: float, after_s: float = 0.0) -> float:
    """Second at which the fluid first reached a temperature, infinite if never."""
    late = samples["time_ms"] >= START_MS + 1000.0 * after_s
    hot = samples["time_ms"][late & (samples["fluid_temp_c"] >= celsius)]
    return float((hot[0] - START_MS) / 1000.0) if len(hot) else float("inf")


STUCK = Road(fault="bypass_stuck", since_s=900.0, hours=1.2)
OVERLOADED = Road(route="overload", mean_c=35.0, signals="slip", hours=2.0)
STARVED = Road(fault="cooler_starved", size=0.95, since_s=3600.0, mean_c=30.0, hours=3.0)
PINCHED = Road(fault="cooler_flow", size=0.93, since_s=3600.0, mean_c=30.0, hours=3.0)
OVERCOOLED = Road(
    route="hills", fault="stuck_to_cooler", since_s=3600.0, mean_c=10.0, hours=3.0
)
COOLANT_SHUT = Road(
    circuit="coolant_exchanger",
    coolant_valve=True,
    fault="coolant_valve_stuck",
    size=0.0,
    since_s=3600.0,
    hours=3.0,
)
COOLANT_OPEN = Road(
    route="hills",
    circuit="coolant_exchanger",
    coolant_valve=True,
    fault="coolant_valve_stuck",
    size=1.0,
    since_s=0.0,
    mean_c=0.0,
    start_c=None,
    hours=3.0,
)
PART_WAY: tuple[Road, ...] = tuple(
    Road(
        route="hills",
        fault="bypass_stuck",
        size=size,
        since_s=1800.0,
        mean_c=35.0,
        period_s=30,
        hours=2.5,
    )
    for size in (0.75, 0.73, 0.77, 0.71, 0.79)
)
"""Valves that let some fluid through: neither shut, nor a cooler that is starved, like either at first."""

SLIPPING = Road(fault="lockup_slip", size=150.0, since_s=1200.0, signals="slip", hours=1.2)
FROZEN = Road(fault="sensor_frozen", since_s=1800.0, hours=1.0)


@cache
def unclear() -> Road:
    """Give a road on which the circuit is sure to be at fault and no cause is likelier than the others."""
    for road in PART_WAY:
        if raised(judged(road), "heat_rejection_low"):
            return road
    raise AssertionError("of no valve stuck part-way was it said that the cause is not clear")
