"""Simulated years: plausible, repeatable, and as changeable as the forecast must bear."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from models.sample import SIGNALS
from simulator.duty import DAY_MS, MONTH_DAYS, READING, Duty, drive

START_MS = 1_735_689_600_000
SEEDS = range(20)


@cache
def driven(seed: int, period_s: int = 120, unseen: float = 0.01) -> NDArray[Any]:
    duty = Duty(seed=seed, start_ms=START_MS, period_s=period_s, unseen=unseen)
    return np.concatenate(list(drive(duty)))


def weekly_km(seed: int) -> NDArray[np.float64]:
    readings = driven(seed, unseen=0.0)
    weeks = (readings["time_ms"] - START_MS) // (7 * DAY_MS)
    ends = np.searchsorted(weeks, np.arange(104), side="right") - 1
    return np.diff(readings["odometer_km"][ends], prepend=readings["odometer_km"][0])


def test_the_same_seed_drives_the_same_and_another_does_not() -> None:
    again = np.concatenate(list(drive(Duty(seed=1, start_ms=START_MS))))
    assert again.tobytes() == driven(1).tobytes()
    assert driven(2).tobytes() != driven(1).tobytes()


@pytest.mark.parametrize("seed", SEEDS)
def test_time_and_odometer_go_forward_and_every_signal_is_possible(seed: int) -> None:
    readings = driven(seed)
    assert np.all(np.diff(readings["time_ms"]) > 0)
    assert np.all(np.diff(readings["odometer_km"]) >= 0.0)
    ranges = {signal.name: (signal.low, signal.high) for signal in SIGNALS}
    for name in READING.names or ():
        if name != "time_ms":
            low, high = ranges[name]
            assert low <= readings[name].min() <= readings[name].max() <= high


def test_it_comes_month_by_month() -> None:
    parts = list(drive(Duty(seed=3, start_ms=START_MS, days=100)))
    assert len(parts) == 4
    for month, part in enumerate(parts):
        days = (part["time_ms"] - START_MS) / DAY_MS
        assert days.min() >= MONTH_DAYS * month
        # A trip of the evening may end in the next day.
        assert days.max() < min(MONTH_DAYS * (month + 1), 100) + 0.2


def test_the_fluid_warms_up_and_is_hot_on_climbs() -> None:
    fluid = np.concatenate([driven(seed)["fluid_temp_c"] for seed in SEEDS])
    assert 70.0 < np.median(fluid) < 95.0
    assert 110.0 < np.percentile(fluid, 99.9) < 150.0
    whole = driven(1, unseen=0.0)
    nights = whole[np.diff(whole["time_ms"], prepend=0) > 6 * 3_600_000]
    assert np.all(np.abs(nights["fluid_temp_c"] - nights["ambient_temp_c"]) < 5.0)


def test_a_trailer_costs_heat() -> None:
    readings = np.concatenate([driven(seed) for seed in SEEDS])
    towing = readings["trailer"] == 1.0
    assert 0.2 < towing.mean() < 0.8
    difference = np.diff([readings["fluid_temp_c"][towing == side].mean() for side in (0, 1)])
    assert difference > 5.0


def test_the_duty_changes_from_week_to_week_and_from_job_to_job() -> None:
    weeks = np.array([weekly_km(seed) for seed in SEEDS])
    yearly = weeks.sum(axis=1) / 2.0
    assert 15_000.0 < yearly.min() < yearly.max() < 120_000.0
    at_rest = (weeks == 0.0).sum(axis=1)  # holidays, or time in the shop
    assert at_rest.min() < np.median(at_rest) < at_rest.max() < 20
    quarters = weeks.reshape(len(SEEDS), 8, 13).mean(axis=2)
    spread = quarters.std(axis=1) / quarters.mean(axis=1)
    assert np.median(spread) > 0.2
    within = np.abs(np.diff(weeks, axis=1)).mean(axis=1) / weeks.mean(axis=1)
    assert np.median(within) > 0.2


def test_some_trips_are_unseen_and_the_odometer_tells() -> None:
    whole, holey = driven(4, unseen=0.0), driven(4, unseen=0.2)
    assert 0.7 * len(whole) < len(holey) < 0.9 * len(whole)
    assert np.isin(holey["time_ms"], whole["time_ms"]).all()
    assert holey["odometer_km"][-1] == pytest.approx(whole["odometer_km"][-1], rel=0.01)
