"""Trucks of which everything is known: what their fluid really went through, and what its account was told.

A numpy physics of its own: the fluid relaxes to a level that each trip sets, and to the outside air when
parked. What the account takes on trust (life, activation energy, the sensor's bias, what unseen driving
costs) is drawn anew for each truck, by the spreads that the models state.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest.codec import absent
from models.cold_soak import COMMON_SD_K, NIGHT_SD_K, PRIOR_SD_K
from models.compiled import compiled
from models.fleet import Fluid
from models.interval import UNSEEN_SD
from models.parameters import STILL_AIR_SHARE
from models.thermal_parameters import THERMAL_CLASSES
from models.units import GAS_CONSTANT, ZERO_CELSIUS_K
from tests.recorded import NOON_MS

Floats = NDArray[np.float64]

CAPACITY_J_K, CASE_W_K, _, _ = THERMAL_CLASSES["medium"]
COOLS_S = CAPACITY_J_K / (STILL_AIR_SHARE * CASE_W_K)
"""The fluid's time constant parked [s], of the middle of its class."""

STEP_S = 60
DAY = 86_400 // STEP_S
MIDNIGHT_MS = NOON_MS + 12 * 3_600_000
KM_H = 50.0
WARMS_S = 900.0
"""The fluid's time constant driving [s]."""


@dataclass(frozen=True, kw_only=True)
class Duty:
    """What a truck does: days, share of the trips unseen, how hot it runs at most [°C]."""

    days: int = 20
    unseen: float = 0.0
    hottest_c: float = 105.0


@dataclass(frozen=True, kw_only=True)
class Told:
    """A truck: its samples, and the life that its fluid has really used [-]."""

    samples: NDArray[Any]
    life_used: float


def truck(seed: int, fluid: Fluid, duty: Duty) -> Told:
    """Draw a truck."""
    rng = np.random.default_rng(seed)
    air = _air(rng, duty.days)
    running, level = _trips(rng, duty)
    celsius = _fluid(running, level, air, COOLS_S * math.exp(rng.normal(0.0, 0.25)))
    trip = np.cumsum(np.diff(running, prepend=False) & running)
    unseen = rng.random(trip[-1] + 1)[trip] < duty.unseen
    energy = max(
        20e3, rng.normal(fluid.activation_energy_j_mol, fluid.activation_energy_sd_j_mol)
    )
    life_s = fluid.reference_life_s * fluid.life_spread ** rng.normal()
    return Told(
        samples=_samples(rng, celsius, air, running, running & ~unseen),
        life_used=_cost_s(rng, celsius, running & unseen, energy, fluid.reference_temp_c)
        / life_s,
    )


def _air(rng: np.random.Generator, days: int) -> Floats:
    hour = np.arange(days * DAY) / DAY * 24.0
    mean = rng.uniform(2.0, 25.0) + np.repeat(rng.normal(0.0, 2.0, days), DAY)
    return np.asarray(mean + rng.uniform(2.0, 6.0) * np.sin((hour - 9.0) / 24.0 * 2.0 * np.pi))


def _trips(rng: np.random.Generator, duty: Duty) -> tuple[NDArray[np.bool_], Floats]:
    """Give when the truck runs, and the level [°C] that its fluid goes to then."""
    running = np.zeros(duty.days * DAY, np.bool_)
    level = np.zeros(duty.days * DAY)
    usual = rng.uniform(84.0, 94.0)
    for day in range(duty.days):
        for hour in (7.0, 12.5, 16.5):
            if rng.random() < 0.2:
                continue
            start = day * DAY + round(hour * 3600 / STEP_S)
            stop = start + round(rng.uniform(0.5, 3.0) * 3600 / STEP_S)
            towing = rng.random() < 0.4
            running[start:stop] = True
            level[start:stop] = rng.uniform(usual, duty.hottest_c if towing else usual + 3.0)
    return running, level


@compiled
def _fluid(running: NDArray[np.bool_], level: Floats, air: Floats, cools_s: float) -> Floats:
    warming, cooling = math.exp(-STEP_S / WARMS_S), math.exp(-STEP_S / cools_s)
    celsius = np.empty(len(air))
    now = air[0]
    for row in range(len(air)):
        celsius[row] = now
        if running[row]:
            now = level[row] + (now - level[row]) * warming
        else:
            now = air[row] + (now - air[row]) * cooling
    return celsius


def _samples(
    rng: np.random.Generator,
    celsius: Floats,
    air: Floats,
    running: NDArray[np.bool_],
    seen: NDArray[np.bool_],
) -> NDArray[Any]:
    rows = np.flatnonzero(seen)
    days = len(air) // DAY
    other = rng.normal(0.0, COMMON_SD_K) + np.repeat(rng.normal(0.0, NIGHT_SD_K, days), DAY)
    started = running & ~np.roll(running, 1)
    warm_s = np.arange(len(air)) - np.maximum.accumulate(
        np.where(started, np.arange(len(air)), 0)
    )
    coolant = air + (88.0 - air) * (1.0 - np.exp(-warm_s * STEP_S / 300.0)) + other
    samples = absent(len(rows))
    samples["time_ms"] = MIDNIGHT_MS + rows * STEP_S * 1000
    samples["fluid_temp_c"] = np.round((celsius + rng.normal(0.0, PRIOR_SD_K))[rows], 1)
    samples["ambient_temp_c"] = np.round((air + other)[rows], 1)
    samples["coolant_temp_c"] = np.round(coolant[rows])
    samples["speed_km_h"] = KM_H
    samples["engine_rpm"] = 1500.0
    km = 40_000.0 + np.cumsum(running) * KM_H * STEP_S / 3600.0
    samples["odometer_km"] = np.round(km[rows], 1)
    return samples


def _cost_s(
    rng: np.random.Generator,
    celsius: Floats,
    unseen: NDArray[np.bool_],
    energy_j_mol: float,
    reference_c: float,
) -> float:
    """Equivalent seconds that the fluid really aged [s]; unseen trips dearer or cheaper than they look."""
    inverse = 1.0 / (reference_c + ZERO_CELSIUS_K) - 1.0 / (celsius + ZERO_CELSIUS_K)
    rates = np.exp(energy_j_mol / GAS_CONSTANT * inverse)
    otherwise = math.exp(rng.normal(0.0, UNSEEN_SD) - 0.5 * UNSEEN_SD**2)
    return float((rates * np.where(unseen, otherwise, 1.0)).sum() * STEP_S)
