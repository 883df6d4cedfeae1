"""One truck on one trip, and at rest: the step of ``simulator.physics.truck``, and who calls it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.fast import driveline, heat
from simulator.fast.compiled import compiled, compiled_and_kept
from simulator.physics import road
from simulator.physics.weather import Weather

REST_STEP_S = 30.0
"""Step while the engine is off [s]: the fastest node then takes seven minutes."""

LINGER_S = 60
"""How long a gateway has power after the engine stops [s]."""

LONGEST_TRIP_S = 16 * 3600
"""A trip that has not come to its end by then ends where it is [s]."""

#: One stretch of road as a record; it ends after ``seconds`` or ``metres`` (the other is NaN).
STRETCH: np.dtype[np.void] = np.dtype(
    [
        ("seconds", "f8"),
        ("metres", "f8"),
        ("speed_m_s", "f8"),
        ("grade_pct", "f8"),
        ("trailer_kg", "f8"),
        ("engine_on", "i8"),
    ]
)

AIR: np.dtype[np.void] = np.dtype([("mean_c", "f8"), ("swing_c", "f8"), ("peak_hour", "f8")])
"""A day's air, as ``Weather``."""

TRUE: tuple[str, ...] = (
    "elapsed_s",
    "sump_c",
    "converter_c",
    "line_c",
    "return_c",
    "ambient_c",
    "coolant_c",
    "speed_m_s",
    "engine_rpm",
    "engine_nm",
    "full_nm",
    "gear",
    "lockup",
    "slip_rpm",
    "distance_m",
    "engine_s",
    "trailer_kg",
    "running",
)
"""What a trip gives of each moment that is read: columns in this order."""

_road_load_n: Any = compiled(road.road_load_n)  # compiled, it takes every argument by place


def air_record(weather: Weather) -> NDArray[Any]:
    """Write a day's air as a record, shape (1,)."""
    return np.array([(weather.mean_c, weather.swing_c, weather.peak_hour)], AIR)


@compiled
def _ambient_c(air: Any, time_s: float) -> float:
    hour = (time_s / 3600.0) % 24.0
    return float(air.mean_c + air.swing_c * math.cos((hour - air.peak_hour) * math.pi / 12.0))


@compiled
def _wander(truck: Any, dt_s: float, rng: np.random.Generator) -> None:
    truck.rough += (-truck.rough * dt_s) / 60.0 + 0.06 * dt_s**0.5 * rng.standard_normal()
    truck.unrest += (-truck.unrest * dt_s) / 30.0 + 0.10 * dt_s**0.5 * rng.standard_normal()


@compiled
def _drive(
    spec: Any, truck: Any, effects: Any, stretch: Any, dt_s: float, rng: np.random.Generator
) -> None:
    _wander(truck, dt_s, rng)
    speed = truck.speed_m_s
    moving = stretch.speed_m_s > 0.0
    target = max(stretch.speed_m_s + truck.unrest, 1.0) if moving else 0.0
    grade = stretch.grade_pct + truck.rough if moving or speed > 0.0 else 0.0
    mass = spec.mass_kg + truck.trailer_kg
    drag = spec.drag_area_m2 + (spec.trailer_drag_area_m2 if truck.trailer_kg > 0.0 else 0.0)
    load = _road_load_n(mass, speed, grade, drag, spec.rolling)
    wanted = min(max((target - speed) / 4.0, -1.1), 0.7)
    most = min(0.86 * spec.peak_power_w / max(speed, 2.5), 0.4 * 9.8 * spec.mass_kg)
    force = min(1.06 * mass * wanted + load, most)
    pace = min((force - load) / (1.06 * mass), 0.9)
    if not moving and speed <= 0.5:
        force, pace = 0.0, -speed / dt_s
    driveline.turn(spec, truck, effects, dt_s, max(force, -0.15 * spec.peak_nm * 4.0))
    after = max(speed + pace * dt_s, 0.0)
    truck.distance_m += 0.5 * (speed + after) * dt_s
    truck.speed_m_s = after


@compiled
def step(
    spec: Any,
    truck: Any,
    effects: Any,
    stretch: Any,
    dt_s: float,
    time_s: float,
    air: Any,
    rng: np.random.Generator,
) -> None:
    """Advance a truck by ``dt_s`` on a stretch of road."""
    truck.ambient_c = _ambient_c(air, time_s)
    truck.trailer_kg = stretch.trailer_kg
    if stretch.engine_on:
        truck.engine_s += dt_s
        _drive(spec, truck, effects, stretch, dt_s, rng)
    else:
        truck.speed_m_s = 0.0
        driveline.stop(truck)
    pump = heat.pump_rate_w_k(spec, truck)
    to_cooler = heat.circuit(spec, truck, effects, dt_s, pump)
    heat.warm(spec, truck, dt_s, pump, to_cooler)
    heat.warm_coolant(spec, truck, dt_s)


@compiled
def _note(truck: Any, elapsed_s: int, row: Any) -> None:
    row[0] = elapsed_s
    row[1], row[2], row[3] = truck.sump_c, truck.converter_c, truck.line_c
    row[4], row[5], row[6] = truck.return_c, truck.ambient_c, truck.coolant_c
    row[7], row[8], row[9] = truck.speed_m_s, truck.engine_rpm, truck.engine_nm
    row[10], row[11], row[12] = truck.full_nm, truck.gear, truck.lockup
    row[13], row[14], row[15] = truck.slip_rpm, truck.distance_m, truck.engine_s
    row[16], row[17] = truck.trailer_kg, truck.running


@compiled
def _over(stretch: Any, elapsed_s: int, distance_m: float) -> bool:
    if math.isnan(stretch.metres):
        return bool(elapsed_s >= stretch.seconds)
    return bool(distance_m >= stretch.metres)


@compiled_and_kept
def trip(
    spec: Any,
    truck: Any,
    effects: Any,
    stretches: Any,
    start_s: float,
    air: Any,
    rng: np.random.Generator,
    period_s: int,
    end_m: float,
    rows: NDArray[np.float64],
) -> tuple[int, int]:
    """Follow stretches, round and round, until ``end_m`` on the truck's way and then to a stand; engine off.

    Gives how many seconds it took and how many rows of ``TRUE`` were written.
    """
    spec, truck, effects, air = spec[0], truck[0], effects[0], air[0]
    index, began_s, began_m = 0, 0, truck.distance_m
    elapsed_s = off_s = count = 0
    halt = stretches[len(stretches) - 1]
    stretch = stretches[0]
    while off_s <= LINGER_S or index >= 0:
        if index >= 0 and (truck.distance_m >= end_m or elapsed_s >= LONGEST_TRIP_S):
            stretch, index, began_s = halt, -1, elapsed_s
        elif index >= 0 and _over(stretch, elapsed_s - began_s, truck.distance_m - began_m):
            index = (index + 1) % (len(stretches) - 1)
            stretch, began_s, began_m = stretches[index], elapsed_s, truck.distance_m
        if index < 0 and elapsed_s - began_s >= halt.seconds:
            halt.engine_on = 0
        step(spec, truck, effects, stretch, 1.0, start_s + elapsed_s, air, rng)
        off_s = 0 if stretch.engine_on else off_s + 1
        elapsed_s += 1
        if elapsed_s % period_s == 0 and off_s <= LINGER_S and count < len(rows):
            _note(truck, elapsed_s, rows[count])
            count += 1
    return elapsed_s, count


@compiled_and_kept
def rest(
    spec: Any,
    truck: Any,
    effects: Any,
    start_s: float,
    seconds: float,
    air: Any,
    rng: np.random.Generator,
) -> None:
    """Let a truck stand with its engine off."""
    spec, truck, effects, air = spec[0], truck[0], effects[0], air[0]
    stretch = np.zeros(1, STRETCH)[0]
    stretch.trailer_kg = truck.trailer_kg
    gone_s = 0.0
    while gone_s < seconds:
        dt_s = min(REST_STEP_S, seconds - gone_s)
        step(spec, truck, effects, stretch, dt_s, start_s + gone_s, air, rng)
        gone_s += dt_s
