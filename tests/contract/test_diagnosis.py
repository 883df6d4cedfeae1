"""The detectors on simulated roads: silent in health, right in trouble, steady whatever the sensors do."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, get_args

import numpy as np
import pytest
from numpy.typing import NDArray

from models.circuit_alarm import EVIDENCE
from models.course import run
from models.fleet import Circuit, ThermalClass, Vehicle
from models.hypotheses import AIR, COUNT, FLOW, LOW, OPEN, SHUT, possible
from models.kernel import STATE
from models.layout import blank, record
from models.thermal_parameters import MARGINS
from tests.contract.roads import (
    COOLANT_OPEN,
    COOLANT_SHUT,
    OVERCOOLED,
    OVERLOADED,
    PINCHED,
    START_MS,
    STARVED,
    STUCK,
    Finding,
    Road,
    Signals,
    course_of,
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

_FIRST = EVIDENCE.index("p_healthy")
TROUBLES = {
    "stuck": STUCK,
    "overcooled": OVERCOOLED,
    "starved": STARVED,
    "pinched": PINCHED,
    "coolant shut": COOLANT_SHUT,
    "coolant open": COOLANT_OPEN,
}
each_trouble = pytest.mark.parametrize("road", TROUBLES.values(), ids=TROUBLES)


def accused(found: list[Finding]) -> set[str]:
    """Alarms that say that the circuit has a fault."""
    return {one.kind for one in found if one.active} & set(MARGINS)


def _healthy_days() -> list[Road]:
    """Cover circuits, classes, climates, rates and sensors by turns."""
    roads = []
    for row, circuit in enumerate(CIRCUITS * 6):
        roads.append(
            Road(
                circuit=circuit,
                coolant_valve=circuit == "coolant_exchanger" and row % 8 < 4,
                air_cooler=circuit == "radiator_tank" and row % 8 < 4,
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


@pytest.mark.parametrize("signals", FITS)
@pytest.mark.parametrize("coarse", [False, True], ids=["fine", "coarse"])
@pytest.mark.parametrize("truck_class", CLASSES)
def test_a_stuck_valve_is_named_whatever_the_sensors(
    signals: Any, coarse: bool, truck_class: Any
) -> None:
    road = replace(STUCK, signals=signals, coarse=coarse, truck_class=truck_class)
    first_s = raised(judged(road), "bypass_stuck")[0]
    assert first_s <= seconds_at(recorded(road), 105.0) + 360.0


@pytest.mark.parametrize("truck_class", CLASSES)
def test_a_stuck_coolant_valve_is_named_shut_before_it_is_dangerous(truck_class: Any) -> None:
    road = replace(COOLANT_SHUT, truck_class=truck_class)
    found = judged(road)
    first_s = raised(found, "coolant_valve_stuck")[0]
    assert first_s <= seconds_at(recorded(road), 105.0, road.since_s) + 360.0
    assert _likeliest(found, "coolant_valve_stuck") == SHUT


@pytest.mark.parametrize("truck_class", CLASSES)
@pytest.mark.parametrize(
    ("road", "kind"),
    [(OVERCOOLED, "overcooled"), (COOLANT_OPEN, "coolant_valve_stuck")],
    ids=["bypass", "coolant"],
)
def test_too_cold_is_named_within_a_drive_and_is_no_emergency(
    road: Road, kind: str, truck_class: Any
) -> None:
    found = judged(replace(road, truck_class=truck_class))
    assert raised(found, kind)[0] <= road.since_s + 3600.0
    assert _likeliest(found, kind) == OPEN
    assert {one.priority for one in found if one.kind == kind} == {1}
    assert accused(found) == {kind}


@pytest.mark.parametrize("truck_class", CLASSES[1:])
@pytest.mark.parametrize(
    ("road", "of"), [(STARVED, AIR), (PINCHED, FLOW)], ids=["air", "fluid"]
)
def test_a_starved_cooler_is_named_once_it_is_hot(
    road: Road, of: int, truck_class: Any
) -> None:
    road = replace(road, truck_class=truck_class)
    found = judged(road)
    hot_s = seconds_at(recorded(road), 105.0, road.since_s)
    assert raised(found, "cooler_starved")[0] <= hot_s + 3600.0
    # Which of the two it lacks shows less surely: that much must be left to what was so.
    last = [one for one in found if one.kind == "cooler_starved" and one.active][-1]
    assert _of(last, of) >= 0.05


def _of(finding: Finding, hypothesis: int) -> float:
    return finding.evidence[_FIRST + hypothesis]


def _likeliest(found: list[Finding], kind: str) -> int:
    last = [one for one in found if one.kind == kind and one.active][-1]
    return int(np.argmax(last.evidence[_FIRST : _FIRST + COUNT]))


@pytest.mark.parametrize("truck_class", CLASSES)
@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("signals", ["basic", "torque", "slip"])
def test_overload_is_too_hot_and_no_fault(truck_class: Any, seed: int, signals: Any) -> None:
    road = replace(OVERLOADED, truck_class=truck_class, seed=seed, signals=signals)
    found = judged(road)
    assert raised(found, "over_temperature")
    assert accused(found) == set()


@pytest.mark.parametrize("truck_class", CLASSES)
@pytest.mark.parametrize("size", [0.7, 0.9, 0.95])
def test_a_cooler_without_air_is_no_stuck_valve(truck_class: Any, size: float) -> None:
    road = replace(STARVED, truck_class=truck_class, size=size)
    assert accused(judged(road)) <= {"cooler_starved", "heat_rejection_low"}


NAMES: dict[str, set[int]] = {
    "bypass_stuck": {SHUT},
    "overcooled": {OPEN},
    "cooler_starved": {AIR, FLOW},
    "coolant_valve_stuck": {SHUT, OPEN},
    "heat_rejection_low": {SHUT, LOW, OPEN, AIR, FLOW},
}
FITTED: dict[str, dict[str, Any]] = {
    "bypass": {"circuit": "thermostatic_bypass"},
    "full flow": {"circuit": "full_flow"},
    "coolant": {"circuit": "coolant_exchanger"},
    "coolant valve": {"circuit": "coolant_exchanger", "coolant_valve": True},
    "tank": {"circuit": "radiator_tank"},
    "tank and air": {"circuit": "radiator_tank", "air_cooler": True},
}


@pytest.mark.parametrize("fitted", FITTED.values(), ids=FITTED)
@each_trouble
def test_no_fault_is_reported_that_the_circuit_cannot_have(
    fitted: dict[str, Any], road: Road
) -> None:
    """The very traffic that condemns one circuit, from a truck that has another."""
    vehicle: Vehicle = replace(
        road.vehicle, **{"coolant_valve": False, "air_cooler": False, **fitted}
    )
    can = set(
        possible(
            vehicle.circuit, coolant_valve=vehicle.coolant_valve, air_cooler=vehicle.air_cooler
        )
    )
    samples = recorded(road)
    for one in judge(samples, vehicle):
        if one.kind in NAMES:
            assert NAMES[one.kind] & can
            assert one.kind != "bypass_stuck" or vehicle.circuit == "thermostatic_bypass"
            assert one.kind != "overcooled" or vehicle.circuit == "thermostatic_bypass"
            assert one.kind != "coolant_valve_stuck" or vehicle.coolant_valve
            assert all(_of(one, other) == 0.0 for other in set(range(COUNT)) - can)
    state = blank(STATE)
    run(course_of(vehicle), state, samples)
    p = record(state).truck.thermal.p
    assert p.sum() == pytest.approx(1.0)
    assert {place for place in range(COUNT) if p[place] > 0.0} <= can


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


@pytest.mark.parametrize("road", [OVERCOOLED, COOLANT_SHUT], ids=["overcooled", "coolant shut"])
def test_other_sample_rates_accuse_of_the_same(road: Road) -> None:
    every_second = recorded(replace(road, period_s=1))
    named = [accused(judge(every_second[::period], road.vehicle)) for period in (1, 5, 10, 30)]
    assert named == [named[0]] * 4
    assert len(named[0]) == 1


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
MISSING = {
    "ambient": ("ambient_temp_c",),
    "coolant": ("coolant_temp_c",),
    "load": LOAD,
    "speed": ("speed_km_h",),
    "gear": ("gear",),
    "lockup": ("lockup",),
    "ambient and load": ("ambient_temp_c", *LOAD),
    "nearly all": ("ambient_temp_c", "coolant_temp_c", "gear", "lockup", "lockup_slip_rpm"),
}
each_missing = pytest.mark.parametrize("missing", MISSING.values(), ids=MISSING)


@each_missing
def test_what_is_missing_accuses_no_sound_truck(missing: tuple[str, ...]) -> None:
    for circuit in FITTED.values():
        road = Road(hours=2.0, seed=3, **circuit)
        assert accused(judge(without(recorded(road), *missing), road.vehicle)) == set()


@each_missing
def test_overload_is_no_fault_whatever_else_is_missing(missing: tuple[str, ...]) -> None:
    found = judge(without(recorded(OVERLOADED), *missing), OVERLOADED.vehicle)
    assert accused(found) == set()
    assert raised(found, "over_temperature")


@each_missing
def test_what_is_missing_accuses_no_other_fault(missing: tuple[str, ...]) -> None:
    """Found or not, and surely named or not: nothing else than a valve that is stuck."""
    found = judge(without(recorded(STUCK), *missing), STUCK.vehicle)
    assert accused(found) <= {"bypass_stuck", "heat_rejection_low"}
    assert raised(found, "over_temperature")


@pytest.mark.parametrize("missing", [("ambient_temp_c",), ("gear",), ("lockup",), LOAD])
def test_a_stuck_valve_is_found_with_less_to_go_by(missing: tuple[str, ...]) -> None:
    """By the descent at the latest, where hardly any heat is made: without lockup it may be heat."""
    road = replace(STUCK, hours=2.0)
    found = judge(without(recorded(road), *missing), road.vehicle)
    assert accused(found) & {"bypass_stuck", "heat_rejection_low"}


@pytest.mark.parametrize("road", [STUCK, OVERLOADED], ids=["stuck", "overloaded"])
def test_without_engine_speed_nothing_is_judged(road: Road) -> None:
    found = judge(without(recorded(road), "engine_rpm"), road.vehicle)
    assert accused(found) == set()
    assert raised(found, "over_temperature")


@pytest.mark.parametrize("road", [STUCK, OVERLOADED, STARVED], ids=["stuck", "over", "starved"])
def test_without_the_fluid_nothing_is_said(road: Road) -> None:
    assert judge(without(recorded(road), "fluid_temp_c"), road.vehicle) == []


WRONG_RETURNS: dict[str, Callable[[NDArray[Any]], NDArray[Any]]] = {
    "8 K warm": lambda table: table["cooler_return_temp_c"] + 8.0,
    "8 K cold": lambda table: table["cooler_return_temp_c"] - 8.0,
    "stuck": lambda table: np.full(len(table), table["cooler_return_temp_c"][-1]),
    "in the air": lambda table: table["ambient_temp_c"] + 2.0,
}


@pytest.mark.parametrize("wrong", WRONG_RETURNS.values(), ids=WRONG_RETURNS)
@pytest.mark.parametrize("circuit", CIRCUITS)
def test_a_return_sensor_that_is_wrong_accuses_no_sound_truck(
    circuit: Circuit, wrong: Callable[[NDArray[Any]], NDArray[Any]]
) -> None:
    road = Road(circuit=circuit, signals="lines", hours=4.0)
    samples = recorded(road).copy()
    fails = samples["time_ms"] >= START_MS + 3_600_000
    samples["cooler_return_temp_c"][fails] = wrong(samples)[fails]
    assert not accused(judge(samples, road.vehicle))


def test_the_coolers_lines_need_not_come_with_the_fluid() -> None:
    road = replace(STARVED, signals="lines", period_s=5)
    samples = recorded(road)
    apart = samples.copy()
    lines = np.arange(len(apart)) % 2 == 0
    for name in ("cooler_out_temp_c", "cooler_return_temp_c"):
        apart[name][~lines] = np.nan
    apart["fluid_temp_c"][lines] = np.nan
    together_s = raised(judge(samples, road.vehicle), "cooler_starved")[0]
    blind = samples.copy()
    blind["cooler_return_temp_c"] = np.nan
    assert abs(raised(judge(apart, road.vehicle), "cooler_starved")[0] - together_s) <= 180.0
    assert together_s < raised(judge(blind, road.vehicle), "cooler_starved")[0]
