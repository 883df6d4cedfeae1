"""The detectors on simulated roads: silent in health, right in trouble, steady whatever the sensors do."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, get_args

import numpy as np
import pytest
from numpy.typing import NDArray

from models.fleet import Circuit, ThermalClass
from tests.contract.roads import (
    OVERLOADED,
    START_MS,
    STARVED,
    STUCK,
    Road,
    Signals,
    judge,
    judged,
    raised,
    recorded,
    seconds_at,
    without,
)

CIRCUITS: tuple[Circuit, ...] = get_args(Circuit)
CLASSES: tuple[ThermalClass, ...] = get_args(ThermalClass)
FITS: tuple[Signals, ...] = get_args(Signals)


def _healthy_days() -> list[Road]:
    """Cover circuits, classes, climates, rates and sensors by turns."""
    roads = []
    for row, circuit in enumerate(CIRCUITS * 6):
        roads.append(
            Road(
                circuit=circuit,
                truck_class=CLASSES[(row // 4 + row) % 3],
                route=("climb", "flat", "hills", "city", "empty")[row % 5],
                mean_c=(-15.0, 0.0, 20.0, 40.0)[(row // 4 + row) % 4],
                period_s=(10, 5, 30, 1)[(row // 2) % 4],
                signals=FITS[(row // 3) % 4],
                coarse=row % 3 == 1,
                lost=(0.0, 0.02, 0.2)[row % 3],
                start_c=None if row % 2 else 70.0,
                hours=3.0,
                seed=row,
            )
        )
    return roads


@pytest.mark.parametrize("road", _healthy_days(), ids=lambda road: f"{road.seed}")
def test_silent_on_a_healthy_day(road: Road) -> None:
    assert judged(road) == []


@pytest.mark.parametrize("signals", ["basic", "torque", "slip", "lines"])
@pytest.mark.parametrize("coarse", [False, True], ids=["fine", "coarse"])
@pytest.mark.parametrize("truck_class", ["pickup", "medium"])
def test_a_stuck_valve_is_named_whatever_the_sensors(
    signals: Any, coarse: bool, truck_class: Any
) -> None:
    road = replace(STUCK, signals=signals, coarse=coarse, truck_class=truck_class)
    first_s = raised(judged(road), "bypass_stuck")[0]
    assert first_s <= seconds_at(recorded(road), 105.0) + 360.0


@pytest.mark.parametrize("signals", ["basic", "torque", "slip", "lines"])
def test_a_heavy_trucks_stuck_valve_is_found_though_named_later(signals: Any) -> None:
    # Its gearbox makes more heat at light load than the prior says: a poor cooler stays likely for long.
    road = replace(STUCK, signals=signals, truck_class="heavy")
    found = judged(road)
    circuit = raised(found, "bypass_stuck") + raised(found, "heat_rejection_low")
    assert min(circuit) <= seconds_at(recorded(road), 105.0) + 780.0
    assert raised(found, "bypass_stuck")


@pytest.mark.parametrize("truck_class", ["pickup", "medium", "heavy"])
@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("signals", ["basic", "torque", "slip"])
def test_overload_is_too_hot_and_no_fault(truck_class: Any, seed: int, signals: Any) -> None:
    road = replace(OVERLOADED, truck_class=truck_class, seed=seed, signals=signals)
    found = judged(road)
    assert raised(found, "over_temperature")
    assert raised(found, "bypass_stuck") == []
    assert raised(found, "heat_rejection_low") == []


@pytest.mark.parametrize("truck_class", ["pickup", "medium", "heavy"])
@pytest.mark.parametrize("size", [0.7, 0.9, 0.95])
def test_a_cooler_without_air_is_no_stuck_valve(truck_class: Any, size: float) -> None:
    road = replace(STARVED, truck_class=truck_class, size=size)
    assert raised(judged(road), "bypass_stuck") == []


@pytest.mark.parametrize("circuit", CIRCUITS[1:])
@pytest.mark.parametrize("road", [STUCK, STARVED], ids=["stuck", "starved"])
def test_no_fault_is_reported_that_the_circuit_cannot_have(circuit: Any, road: Road) -> None:
    # The very traffic that condemns a bypass valve, from a truck that has none.
    found = judge(recorded(road), replace(road.vehicle, circuit=circuit))
    assert {one.kind for one in found} <= {"over_temperature"}


@pytest.mark.parametrize("kind", ["bypass_stuck", "over_temperature"])
@pytest.mark.parametrize("road", [STUCK, OVERLOADED], ids=["stuck", "overloaded"])
def test_other_sample_rates_find_the_same_at_nearly_the_same_time(
    kind: str, road: Road
) -> None:
    every_second = recorded(replace(road, period_s=1))
    firsts = [
        raised(judge(every_second[::period], road.vehicle), kind)[:1]
        for period in (1, 2, 5, 10, 30, 60)
    ]
    assert len({len(first) for first in firsts}) == 1
    if firsts[0]:
        times = [first[0] for first in firsts]
        assert max(times) - min(times) <= 240.0


@pytest.mark.parametrize("kind", ["bypass_stuck", "over_temperature"])
def test_the_fluid_need_not_be_in_every_sample(kind: str) -> None:
    samples = recorded(replace(STUCK, period_s=1))
    whole = raised(judge(samples, STUCK.vehicle), kind)[0]
    for keep in (7, 10, 30):
        thin = samples.copy()
        thin["fluid_temp_c"][np.arange(len(thin)) % keep != 0] = np.nan
        assert abs(raised(judge(thin, STUCK.vehicle), kind)[0] - whole) <= 180.0
    rng = np.random.default_rng(5)
    lossy = samples.copy()
    lossy["fluid_temp_c"][rng.random(len(lossy)) < 0.3] = np.nan
    assert abs(raised(judge(lossy, STUCK.vehicle), kind)[0] - whole) <= 180.0


def test_samples_without_the_fluid_do_not_make_an_alarm_flap() -> None:
    samples = recorded(replace(OVERLOADED, period_s=1))
    lossy = samples.copy()
    lossy["fluid_temp_c"][np.random.default_rng(7).random(len(lossy)) < 0.3] = np.nan

    def edges(table: NDArray[Any]) -> list[tuple[bool, int]]:
        found = judge(table, OVERLOADED.vehicle)
        return [(one.active, one.priority) for one in found if one.kind == "over_temperature"]

    assert edges(lossy) == edges(samples)


def _cut(samples: NDArray[Any], first_s: float, last_s: float) -> NDArray[Any]:
    seconds = (samples["time_ms"] - START_MS) / 1000.0
    return samples[(seconds < first_s) | (seconds > last_s)]


def test_a_gap_raises_nothing_by_itself() -> None:
    healthy = Road(hours=2.0)
    for first_s in (1200.0, 2400.0, 3000.0):
        found = judge(_cut(recorded(healthy), first_s, first_s + 700.0), healthy.vehicle)
        assert found == []


def test_a_fault_is_found_again_after_a_gap() -> None:
    # Quiet while the valve sticks and through the first minutes of the climb.
    samples = _cut(recorded(STUCK), 800.0, 1700.0)
    first_s = raised(judge(samples, STUCK.vehicle), "bypass_stuck")[0]
    assert 1700.0 < first_s <= 1700.0 + 600.0


def test_an_alarm_outlives_a_gap_and_is_not_raised_twice() -> None:
    first_s = raised(judged(STUCK), "bypass_stuck")[0]
    cut = _cut(recorded(STUCK), first_s + 60.0, first_s + 500.0)
    found = [one for one in judge(cut, STUCK.vehicle) if one.kind == "bypass_stuck"]
    priorities = [one.priority for one in found if one.active]
    assert priorities == sorted(set(priorities))
    assert all(one.active for one in found)


LOAD = ("engine_torque_nm", "engine_load_pct")


@pytest.mark.parametrize(
    "missing",
    [("ambient_temp_c",), LOAD, ("engine_rpm",), ("speed_km_h",)],
    ids=lambda names: names[0],
)
@pytest.mark.parametrize("road", [STUCK, OVERLOADED], ids=["stuck", "overloaded"])
def test_what_the_balance_cannot_do_without_degrades_to_silence(
    missing: tuple[str, ...], road: Road
) -> None:
    found = judge(without(recorded(road), *missing), road.vehicle)
    assert {one.kind for one in found} <= {"over_temperature", "gateway_silent"}
    assert raised(found, "over_temperature")


@pytest.mark.parametrize("road", [STUCK, OVERLOADED, STARVED], ids=["stuck", "over", "starved"])
def test_without_the_fluid_nothing_is_said(road: Road) -> None:
    assert judge(without(recorded(road), "fluid_temp_c"), road.vehicle) == []


@pytest.mark.parametrize("name", ["gear", "lockup", "coolant_temp_c", "odometer_km", "trailer"])
def test_overload_is_no_fault_whatever_else_is_missing(name: str) -> None:
    found = judge(without(recorded(OVERLOADED), name), OVERLOADED.vehicle)
    assert raised(found, "bypass_stuck") == []
    assert raised(found, "over_temperature")
