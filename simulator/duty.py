"""Years of a truck's duty, fast and roughly: jobs, weeks, seasons, holidays, climbs, towing.

For questions of months (when does a service fall due?), where the second-by-second trucks of
``simulator.trucks`` would take too long. A law of its own for the fluid: it lags behind a level set
by load, air and grade. Parked spans send nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

#: One reading, named as in the message contract.
READING: np.dtype[np.void] = np.dtype(
    [
        ("time_ms", "i8"),
        ("fluid_temp_c", "f8"),
        ("ambient_temp_c", "f8"),
        ("coolant_temp_c", "f8"),
        ("speed_km_h", "f8"),
        ("engine_rpm", "f8"),
        ("engine_load_pct", "f8"),
        ("odometer_km", "f8"),
        ("trailer", "f8"),
    ]
)

DAY_MS = 86_400_000
MONTH_DAYS = 30
_WARM_UP_S = 900.0
_COOL_DOWN_S = 9_000.0
_ROAD_SAMPLES = 24
"""How many readings a stretch of road of one kind lasts [-]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Duty:
    """One truck's years: its own seed, first midnight (UTC) [ms], days, span between readings [s].

    ``unseen`` [-]: share of the trips of which no reading comes.
    """

    seed: int
    start_ms: int
    days: int = 730
    period_s: int = 120
    unseen: float = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class _Days:
    """What each day brings, shape (days,).

    Hours driven [h], mean speed [km/h], the fluid's level before air and load [°C], the chance that
    a trip has a trailer [-], the day's mean of the air [°C].
    """

    hours: NDArray[np.float64]
    speed_km_h: NDArray[np.float64]
    level_c: NDArray[np.float64]
    towing: NDArray[np.float64]
    air_c: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trips:
    """Trips in order of time, shape (trips,): day, start [s of the day], readings, rest before [s]."""

    day: NDArray[np.int64]
    start_s: NDArray[np.float64]
    count: NDArray[np.int64]
    rest_s: NDArray[np.float64]
    trailer: NDArray[np.float64]


def drive(duty: Duty) -> Iterator[NDArray[Any]]:
    """Drive the years; yields records ``READING`` month by month, in order of time."""
    rng = np.random.default_rng([duty.seed, 0xD07])
    days = _days(duty, rng)
    odometer_km = rng.uniform(20_000.0, 150_000.0)
    for first in range(0, duty.days, MONTH_DAYS):
        month = np.arange(first, min(first + MONTH_DAYS, duty.days))
        trips = _trips(duty, days, month, rng)
        readings = _readings(duty, days, trips, rng)
        readings["odometer_km"] += odometer_km
        if len(readings):
            odometer_km = float(readings["odometer_km"][-1])
        seen = np.repeat(rng.random(len(trips.day)) >= duty.unseen, trips.count)
        yield readings[seen]


def _days(duty: Duty, rng: np.random.Generator) -> _Days:
    day = np.arange(duty.days)
    job = _jobs(duty.days, rng)
    jobs = int(job[-1]) + 1
    hours = rng.lognormal(math.log(rng.uniform(3.0, 7.0)), 0.3, jobs)[job]
    season = 2.0 * np.pi * (day - rng.uniform(0.0, 365.0)) / 365.25
    hours *= 1.0 + rng.uniform(0.0, 0.3) * np.cos(season)
    hours *= rng.lognormal(0.0, rng.uniform(0.2, 0.5), duty.days)
    hours[~_at_work(day, rng)] = 0.0
    warmest = rng.uniform(190.0, 210.0)
    year = np.cos(2.0 * np.pi * (day - warmest) / 365.25)
    air = (
        rng.uniform(8.0, 22.0)
        + rng.uniform(6.0, 14.0) * year
        + _wander(duty.days, 5, rng) * 4.0
    )
    return _Days(
        hours=np.clip(hours, 0.0, 13.0),
        speed_km_h=rng.uniform(25.0, 70.0, jobs)[job],
        level_c=rng.uniform(70.0, 84.0) + rng.normal(0.0, 3.5, jobs)[job],
        towing=rng.beta(1.2, 1.2, jobs)[job],
        air_c=air,
    )


def _jobs(days: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Number of the job on each day; one lasts from three weeks to most of a year."""
    mean_days = rng.uniform(50.0, 130.0)
    starts = np.zeros(days, np.int64)
    day = 21.0 + rng.exponential(mean_days)
    while day < days:
        starts[int(day)] = 1
        day += 21.0 + rng.exponential(mean_days)
    return np.cumsum(starts)


def _at_work(day: NDArray[np.int64], rng: np.random.Generator) -> NDArray[np.bool_]:
    """Say on which days the truck goes out: its week, its holidays, its time in the shop."""
    chance = np.full(7, rng.uniform(0.85, 1.0))
    chance[5:] = rng.choice([0.0, 0.3, 0.8]), rng.choice([0.0, 0.0, 0.1, 0.6])
    works = rng.random(len(day)) < chance[day % 7]
    year = day % 365
    if rng.random() < 0.7:
        works &= (year < 355) & (year > 3)
    leave = rng.uniform(150.0, 230.0)
    works &= (year < leave) | (year > leave + rng.uniform(0.0, 14.0))
    for begin in rng.uniform(0.0, len(day), rng.poisson(2.5 * len(day) / 365.0)):
        works &= (day < begin) | (day > begin + rng.uniform(1.0, 12.0))
    return works


def _trips(
    duty: Duty, days: _Days, month: NDArray[np.int64], rng: np.random.Generator
) -> _Trips:
    """Two trips a day with a break between; what is too short to be a trip is none."""
    count = len(month)
    share = rng.uniform(0.35, 0.65, count)
    lengths_s = 3600.0 * days.hours[month, None] * np.stack([share, 1.0 - share], axis=1)
    readings = (lengths_s / duty.period_s).astype(np.int64)
    pause_s = rng.uniform(1_200.0, 5_400.0, count)
    first_s = 12.0 * 3600.0 + rng.normal(0.0, 2_400.0, count)
    starts_s = np.stack([first_s, first_s + lengths_s[:, 0] + pause_s], axis=1)
    rests_s = np.stack([np.full(count, 12.0 * 3600.0), pause_s], axis=1)
    trailer = rng.random((count, 2)) < days.towing[month, None]
    kept = readings.ravel() > 2
    return _Trips(
        day=np.repeat(month, 2)[kept],
        start_s=starts_s.ravel()[kept],
        count=readings.ravel()[kept],
        rest_s=rests_s.ravel()[kept],
        trailer=trailer.ravel()[kept].astype(np.float64),
    )


def _readings(duty: Duty, days: _Days, trips: _Trips, rng: np.random.Generator) -> NDArray[Any]:
    """Fill in the readings of some trips; ``odometer_km`` counts from zero."""
    which = np.repeat(np.arange(len(trips.day)), trips.count)
    begins = np.cumsum(trips.count) - trips.count
    second = (np.arange(len(which)) - begins[which]) * float(duty.period_s)
    day = trips.day[which]
    clock_s = trips.start_s[which] + second
    air = days.air_c[day] + 5.0 * np.cos((clock_s / 3600.0 - 20.0) * np.pi / 12.0)
    towing = trips.trailer[which]
    grade = _wander(len(which), _ROAD_SAMPLES, rng)
    level = days.level_c[day] + 0.35 * (air - 15.0) + 9.0 * towing
    level += 2.5 * grade + (7.0 + 8.0 * towing) * np.maximum(grade - 0.7, 0.0)
    left = np.exp(-trips.rest_s / _COOL_DOWN_S)[which]
    start = air + left * (level - air)
    warmed = 1.0 - np.exp(-second / _WARM_UP_S)
    stops = rng.random(len(which)) < 0.08
    speed = days.speed_km_h[day] * rng.lognormal(0.0, 0.25, len(which)) * ~stops
    speed = np.minimum(speed, 110.0)

    readings = np.zeros(len(which), READING)
    readings["time_ms"] = duty.start_ms + day * DAY_MS + (1000.0 * clock_s).astype(np.int64)
    readings["fluid_temp_c"] = start + (level - start) * warmed
    readings["ambient_temp_c"] = air
    readings["coolant_temp_c"] = air + (88.0 - air) * np.maximum(left, warmed)
    readings["speed_km_h"] = speed
    readings["engine_rpm"] = np.where(speed > 0.0, 1_100.0 + 9.0 * speed, 700.0)
    readings["engine_load_pct"] = np.clip(30.0 + 25.0 * towing + 15.0 * grade, 5.0, 100.0)
    readings["odometer_km"] = np.cumsum(speed) * duty.period_s / 3600.0
    readings["trailer"] = towing
    return readings


def _wander(count: int, length: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Noise of standard deviation one that keeps its value for about ``length`` steps, shape (count,)."""
    kernel = np.exp(-np.arange(4 * length) / length)
    noise = rng.normal(0.0, 1.0, count + len(kernel) - 1)
    return np.convolve(noise, kernel / np.linalg.norm(kernel), mode="valid")[:count]
