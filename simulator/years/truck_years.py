"""One truck's years: its trips driven, its nights stood through, its sensors read."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.fast.records import cold_truck, effects_record, spec_record
from simulator.fast.truck import LONGEST_TRIP_S, TRUE, air_record, rest, trip
from simulator.faults import Fault
from simulator.physics.weather import Weather
from simulator.plan import TruckPlan
from simulator.years.moments import DAY_MS
from simulator.years.readings import READING, read, spoil
from simulator.years.roads import stretches
from simulator.years.work import Trip

LONGEST_REST_S = 20.0 * 3600.0
"""Of a longer rest only so much is followed [s]: by then all is as warm as the air."""

BREAK_S = 900.0
"""Least time between two trips [s]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TruckYears:
    """A truck, its trips in order of time, the air of each day from the day of ``start_ms`` on.

    ``faults``: times in seconds after ``start_ms``. ``silent``: spans [Unix ms] of which no reading is
    left. ``engine_hours_h``: what the counter shows at the end.
    """

    plan: TruckPlan
    trips: tuple[Trip, ...]
    start_ms: int
    air: tuple[Weather, ...]
    faults: tuple[Fault, ...] = ()
    silent: tuple[tuple[int, int], ...] = ()
    period_s: int = 30
    engine_hours_h: float = 2_100.0


def drive(years: TruckYears, *, seed: int, since_ms: int = 0) -> NDArray[Any]:
    """Drive the trips from ``since_ms`` [Unix ms] on; gives records ``READING`` in order of time."""
    number = int.from_bytes(years.plan.vehicle.encode(), "big")
    rng = np.random.default_rng([seed, number, 0xD21E])
    sensing = np.random.default_rng([seed, number, 0x5E5E])
    due = [each for each in years.trips if each.start_ms >= since_ms]
    if not due:
        return np.zeros(0, READING)
    parts = [
        read(rows, times_ms, years.plan.fit, sensing)
        for rows, times_ms in _driven(years, due, rng)
    ]
    readings = np.concatenate(parts)
    readings["engine_hours_h"] += np.round(
        years.engine_hours_h - np.nanmax(readings["engine_hours_h"]), 2
    )
    spoil(readings, years.faults, years.plan.fit, years.start_ms, sensing)
    for first_ms, last_ms in years.silent:
        times = readings["time_ms"]
        readings = readings[(times < first_ms) | (times > last_ms)]
    return readings


def _driven(
    years: TruckYears, due: Sequence[Trip], rng: np.random.Generator
) -> list[tuple[NDArray[np.float64], NDArray[np.int64]]]:
    spec = spec_record(years.plan.spec)
    first_c = _air(years, due[0].start_ms).ambient_c(due[0].start_ms / 1000.0)
    truck = cold_truck(first_c, years.plan.spec)
    truck["distance_m"] = 1000.0 * due[0].from_km
    buffer = np.empty((LONGEST_TRIP_S // years.period_s + 100, len(TRUE)))
    ended_s = -math.inf
    found: list[tuple[NDArray[np.float64], NDArray[np.int64]]] = []
    for each in due:
        start_s = (
            max(each.start_ms / 1000.0, math.ceil(ended_s + BREAK_S))
            if found
            else each.start_ms / 1000.0
        )
        effects = effects_record(years.faults, start_s - years.start_ms / 1000.0)
        air = air_record(_air(years, each.start_ms))
        if found:
            rest_s = min(start_s - ended_s, LONGEST_REST_S)
            rest(spec, truck, effects, start_s - rest_s, rest_s, air, rng)
        road = stretches(each.style.route(each.load_kg), rng)
        end_m = 1000.0 * each.to_km
        seconds, count = trip(
            spec, truck, effects, road, start_s, air, rng, years.period_s, end_m, buffer
        )
        rows = buffer[:count].copy()
        found.append((rows, np.round(1000.0 * (start_s + rows[:, 0])).astype(np.int64)))
        ended_s = start_s + seconds
    return found


def _air(years: TruckYears, time_ms: int) -> Weather:
    return years.air[min((time_ms - years.start_ms) // DAY_MS, len(years.air) - 1)]
