"""The judges to compare with, on readings made by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from models.kernel import STATE
from models.layout import blank
from models.sample import SAMPLE
from simulator.plan import Registration
from tests.bench.diagnosis.baselines import (
    BREAK_S,
    HOTTER_PLACE_K,
    LEARN_MINUTES,
    WARM_UP_S,
    cusum,
    fixed_limit,
)
from tests.bench.diagnosis.judge import cannot_have, fault_probability, vehicle_of
from tests.bench.diagnosis.road import START_MS


def _samples(fluid_c: NDArray[np.float64], start_s: float = 0.0) -> NDArray[Any]:
    """Readings every ten seconds."""
    samples = np.zeros(len(fluid_c), SAMPLE)
    seconds = start_s + 10.0 * np.arange(len(fluid_c))
    samples["time_ms"] = START_MS + (1000.0 * seconds).astype(np.int64)
    samples["fluid_temp_c"] = fluid_c
    return samples


def test_the_limit_waits_its_delay_and_raises_once_a_drive() -> None:
    fluid_c = np.full(100, 90.0)
    fluid_c[20:25] = 125.0  # 50 s: too short
    fluid_c[40:60] = 125.0  # from 400 s on; last below it at 390 s
    fluid_c[70:90] = 125.0
    (alarm,) = fixed_limit(
        _samples(fluid_c), beyond_converter=False, limit_c=121.0, delay_s=60.0
    )
    assert alarm.second == 450.0


def test_each_drive_may_raise_and_a_gap_is_no_delay() -> None:
    hot = np.full(10, 125.0)
    both = np.concatenate([_samples(hot), _samples(hot, 90.0 + BREAK_S + 10.0)])
    found = fixed_limit(both, beyond_converter=False, limit_c=121.0, delay_s=60.0)
    assert [alarm.second for alarm in found] == [60.0, 460.0]


@pytest.mark.parametrize(("beyond", "count"), [(False, 1), (True, 0)])
def test_a_sensor_beyond_the_converter_may_read_hotter(beyond: bool, count: int) -> None:
    hot = _samples(np.full(50, 121.0 + 0.5 * HOTTER_PLACE_K))
    found = fixed_limit(hot, beyond_converter=beyond, limit_c=121.0, delay_s=60.0)
    assert len(found) == count


def _warm_drive(level_c: float, minutes: int, start_s: float, seed: int) -> NDArray[Any]:
    rng = np.random.default_rng(seed)
    warm_up = np.full(round(WARM_UP_S / 10.0), 20.0)
    each = np.repeat(rng.normal(level_c, 2.0, minutes), 6)
    return _samples(np.concatenate([warm_up, each]), start_s)


@pytest.mark.parametrize(("level_c", "kind"), [(100.0, "hotter"), (80.0, "colder")])
def test_the_cusum_learns_a_truck_and_tells_a_shift(level_c: float, kind: str) -> None:
    learned = _warm_drive(90.0, LEARN_MINUTES + 5, 0.0, 1)
    same = _warm_drive(90.0, 60, 20_000.0, 2)
    shifted = _warm_drive(level_c, 60, 40_000.0, 3)
    found = cusum(np.concatenate([learned, same, shifted]), decision=20.0)
    assert [alarm.kind for alarm in found] == [kind]
    # Five standard deviations less the slack a minute: some twenty over 4.5 minutes.
    assert 40_000.0 + WARM_UP_S + 180.0 <= found[0].second <= 40_000.0 + WARM_UP_S + 480.0


def test_the_cusum_is_silent_while_it_learns() -> None:
    assert cusum(_warm_drive(150.0, LEARN_MINUTES - 5, 0.0, 1)) == ()


@pytest.mark.parametrize(
    ("told", "kinds"),
    [
        (Registration(vehicle="a"), {"coolant_valve_stuck"}),
        (
            Registration(vehicle="a", circuit="coolant_exchanger", coolant_valve=True),
            {"bypass_stuck"},
        ),
        (
            Registration(vehicle="a", circuit="radiator_tank", air_cooler=True),
            {"bypass_stuck", "overcooled", "coolant_valve_stuck"},
        ),
    ],
)
def test_what_a_truck_does_not_have_cannot_fail(told: Registration, kinds: set[str]) -> None:
    assert cannot_have(told) == kinds


def test_the_judge_knows_the_truck_as_its_file_has_it() -> None:
    told = Registration(vehicle="a", circuit="coolant_exchanger", coolant_valve=True)
    vehicle = vehicle_of(told)
    assert (vehicle.coolant_valve, vehicle.air_cooler) == (True, False)
    assert (vehicle.valve_open_c, vehicle.valve_full_c) == (70.0, 80.0)


def test_nothing_is_held_likely_before_a_truck_is_judged() -> None:
    assert fault_probability(blank(STATE)) is None
