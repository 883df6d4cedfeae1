"""From the fleet file's words to the numbers the models step with."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import product
from typing import Any, get_args

import numpy as np
import pytest

from models.ageing import rate
from models.circuit import BYPASS, COOLANT, COOLANT_VALVE, FULL_FLOW, SUMP, TANK, TANK_AND_AIR
from models.fleet import (
    CHART,
    CHART_ROWS,
    Circuit,
    Fleet,
    Limits,
    Sensor,
    ThermalClass,
    Vehicle,
)
from models.hypotheses import FLOW, HEALTHY, LOW, possible
from models.layout import record
from models.parameters import (
    CRITICAL_STEP_K,
    HIGH_STEP_K,
    SENSOR_RISE_K,
    SUMP_LIMIT_C,
    TYPICAL_C,
    parameters,
)
from models.thermal_parameters import (
    BYPASS_BY_LINE,
    ERROR_SD_K,
    GUESSED_LOAD,
    HEAVY,
    MARGINS,
    NEAR_MARGINS,
    THERMAL_CLASSES,
    kind_of,
    sure_from,
)


def params_of(vehicle: Vehicle, **fluid: float) -> Any:
    chosen = replace(CHART, **fluid)  # type: ignore[arg-type] # numbers by name
    return parameters(vehicle, chosen, max_gap_s=300.0, silent_after_s=900.0)[0]


TRUCK = Vehicle(name="NF-01")


def test_every_class_circuit_and_sensor_place_has_its_numbers() -> None:
    assert set(THERMAL_CLASSES) == set(get_args(ThermalClass))
    assert set(SENSOR_RISE_K) == set(get_args(Sensor))
    for circuit, sensor in product(get_args(Circuit), get_args(Sensor)):
        fitted = params_of(replace(TRUCK, circuit=circuit, sensor=sensor))["thermal"]["bank"]
        assert all(value > 0.0 for value in fitted["circuit"].item()[2:-1])
        assert (fitted["circuit"]["site"] == SUMP) == (sensor == "sump")


FITTED = [
    (Vehicle(name="NF-01", circuit="thermostatic_bypass"), BYPASS),
    (Vehicle(name="NF-01", circuit="full_flow"), FULL_FLOW),
    (Vehicle(name="NF-01", circuit="coolant_exchanger"), COOLANT),
    (Vehicle(name="NF-01", circuit="coolant_exchanger", coolant_valve=True), COOLANT_VALVE),
    (Vehicle(name="NF-01", circuit="radiator_tank"), TANK),
    (Vehicle(name="NF-01", circuit="radiator_tank", air_cooler=True), TANK_AND_AIR),
]


@pytest.mark.parametrize(("vehicle", "kind"), FITTED, ids=lambda one: str(one)[:40])
def test_a_circuit_begins_only_the_faults_it_can_have(vehicle: Vehicle, kind: int) -> None:
    bank = params_of(vehicle)["thermal"]["bank"]
    can = possible(
        vehicle.circuit, coolant_valve=vehicle.coolant_valve, air_cooler=vehicle.air_cooler
    )
    assert kind_of(vehicle) == bank["circuit"]["kind"] == kind
    assert set(np.flatnonzero(bank["begins_per_h"])) <= set(can) - {HEALTHY}
    assert {LOW, FLOW} <= set(np.flatnonzero(bank["begins_per_h"]))


def test_fewer_false_alarms_ask_for_more_certainty() -> None:
    allowed = [1e-3, 1e-4, 1e-5, 1e-6]
    sure = [sure_from(rate) for rate in allowed]
    assert sure == sorted(sure)
    assert 0.0 < sure[0] < sure[-1] < 1.0
    for kind in MARGINS:
        strict, lax = (params_of_rate(rate)[kind]["sure"] for rate in (1e-6, 1e-3))
        assert strict > lax


def params_of_rate(false_alarms_per_h: float) -> Any:
    return parameters(
        TRUCK,
        CHART,
        max_gap_s=300.0,
        silent_after_s=900.0,
        false_alarms_per_h=false_alarms_per_h,
    )[0]


SURE = ("sure", "sure_near")
"""How sure an alarm must be, anywhere and near the limit."""


def odds_asked(kind: str, vehicle: Vehicle) -> list[float]:
    """Give the odds from which people are told of an alarm, anywhere and near the limit."""
    return [float(one / (1.0 - one)) for one in (params_of(vehicle)[kind][at] for at in SURE)]


@pytest.mark.parametrize("sensor", get_args(Sensor))
@pytest.mark.parametrize("lighter", ["pickup", "medium"])
@pytest.mark.parametrize("kind", ["overcooled", "cooler_starved"])
def test_a_heavy_truck_is_called_so_only_when_that_is_surer_than_of_others(
    kind: str, lighter: ThermalClass, sensor: Sensor
) -> None:
    heavy, other = (
        odds_asked(kind, replace(TRUCK, thermal_class=one, sensor=sensor))
        for one in ("heavy", lighter)
    )
    assert HEAVY > 1.0
    assert heavy == pytest.approx([HEAVY * other[0], other[1]])


@pytest.mark.parametrize("thermal_class", get_args(ThermalClass))
@pytest.mark.parametrize("elsewhere", ["sump", "converter_out"])
def test_a_valve_read_in_the_line_is_called_stuck_only_when_that_is_surer_near_the_limit_too(
    elsewhere: Sensor, thermal_class: ThermalClass
) -> None:
    line, other = (
        odds_asked("bypass_stuck", replace(TRUCK, sensor=one, thermal_class=thermal_class))
        for one in ("cooler_line", elsewhere)
    )
    assert BYPASS_BY_LINE > 1.0
    surer = BYPASS_BY_LINE * (HEAVY if thermal_class == "heavy" else 1.0)
    assert line == pytest.approx([surer * other[0]] * 2)
    assert other[1] < other[0] < line[1]


@pytest.mark.parametrize("sensor", get_args(Sensor))
@pytest.mark.parametrize("lighter", ["pickup", "medium"])
def test_of_a_heavy_truck_that_must_be_surer_still_and_elsewhere_it_is_as_any_other(
    lighter: ThermalClass, sensor: Sensor
) -> None:
    heavy, other = (
        odds_asked("bypass_stuck", replace(TRUCK, sensor=sensor, thermal_class=one))
        for one in ("heavy", lighter)
    )
    surer = HEAVY if sensor == "cooler_line" else 1.0
    assert heavy == pytest.approx([surer * one for one in other])


@pytest.mark.parametrize("thermal_class", get_args(ThermalClass))
@pytest.mark.parametrize("sensor", get_args(Sensor))
def test_every_other_alarm_is_as_sure_whatever_the_class_and_wherever_it_is_read(
    sensor: Sensor, thermal_class: ThermalClass
) -> None:
    truck = replace(TRUCK, sensor=sensor, thermal_class=thermal_class)
    apart = {"overcooled", "cooler_starved"} if thermal_class == "heavy" else set()
    apart |= {"bypass_stuck"} if sensor == "cooler_line" else set()
    rate = float(params_of(truck)["thermal"]["false_alarms_per_h"])
    for kind in set(MARGINS) - apart:
        wanted = [sure_from(rate, one) for one in (MARGINS[kind], near_of(kind))]
        assert [params_of(truck)[kind][at] for at in SURE] == wanted


@pytest.mark.parametrize("thermal_class", get_args(ThermalClass))
@pytest.mark.parametrize("kind", MARGINS)
def test_a_lack_of_cooling_must_be_surer_while_load_is_guessed_and_nothing_else(
    kind: str, thermal_class: ThermalClass
) -> None:
    told = params_of(replace(TRUCK, thermal_class=thermal_class))[kind]
    odds, guessed = (float(one / (1.0 - one)) for one in (told["sure"], told["sure_guessed"]))
    lacks = {"cooler_starved", "heat_rejection_low"}
    assert set(GUESSED_LOAD) == lacks
    assert min(GUESSED_LOAD.values()) > 1.0
    assert guessed == pytest.approx(odds * (GUESSED_LOAD[kind] if kind in lacks else 1.0))


def near_of(kind: str) -> float:
    return NEAR_MARGINS.get(kind, MARGINS[kind])


BEST_FITS_LEAVE_K: dict[ThermalClass, float] = {"pickup": 1.36, "medium": 1.40, "heavy": 2.91}
"""What the balance is off by when fitted to the drives of sound tuning trucks, as ``models`` has it [K]."""


@pytest.mark.parametrize("thermal_class", get_args(ThermalClass))
def test_a_balance_is_trusted_no_further_than_the_best_fits_of_its_class_go(
    thermal_class: ThermalClass,
) -> None:
    stated_k = params_of(replace(TRUCK, thermal_class=thermal_class))["thermal"]["error_sd_k"]
    assert stated_k == ERROR_SD_K[thermal_class] >= BEST_FITS_LEAVE_K[thermal_class]


def test_and_of_the_class_that_is_known_least_not_even_so_far() -> None:
    doubted = {name: ERROR_SD_K[name] / left for name, left in BEST_FITS_LEAVE_K.items()}
    assert max(doubted, key=doubted.__getitem__) == "heavy"


def test_the_fluid_goes_into_the_account() -> None:
    account = params_of(TRUCK, activation_energy_j_mol=90e3, reference_life_s=9e6)["account"]
    assert account["ageing"]["activation_energy_j_mol"] == 90e3
    assert account["reference_life_s"] == 9e6
    assert account["max_gap_s"] == 300.0


def test_a_service_is_due_by_the_usual_unless_the_manager_says_otherwise() -> None:
    service = params_of(TRUCK)["service_due"]
    assert service["life_share"] == 1.0
    # Common practice, no source: two years; the distance goes by how much the truck tows.
    assert service["age_days"] == 730.0
    assert math.isnan(service["distance_km"])
    limits = Limits(service_life_share=0.8)
    assert params_of(replace(TRUCK, limits=limits))["service_due"]["life_share"] == 0.8


def test_how_sure_a_fluid_is_goes_into_the_account() -> None:
    account = params_of(
        TRUCK,
        activation_energy_j_mol=80e3,
        activation_energy_sd_j_mol=4e3,
        life_spread=2.0,
        antioxidant_at_end=0.2,
        oxidation_factor=3.0,
    )["account"]
    assert account["exponent_sd"] == pytest.approx(0.05)
    assert account["ln_life_sd"] == pytest.approx(math.log(2.0))
    assert (account["antioxidant_at_end"], account["oxidation_factor"]) == (0.2, 3.0)
    assert account["ageing"]["chart_points"] == 0


def test_a_fluids_chart_goes_into_its_law() -> None:
    account = parameters(TRUCK, CHART_ROWS, max_gap_s=300.0, silent_after_s=900.0)[0]["account"]
    ageing = account["ageing"]
    assert ageing["chart_points"] == len(CHART_ROWS.chart) == 12
    hot_c, life_s = CHART_ROWS.chart[11]
    assert ageing["chart_inverse_k"][11] == 1.0 / (hot_c + 273.15)
    assert ageing["chart_ln_rate"][11] == math.log(CHART_ROWS.reference_life_s / life_s)
    assert ageing["chart_ln_rate"][0] == 0.0
    own = record(parameters(TRUCK, CHART_ROWS, max_gap_s=300.0, silent_after_s=900.0)).account
    assert own.habits.equivalent_s_per_run_s == pytest.approx(rate(own.ageing, TYPICAL_C))


def test_what_is_not_said_is_nan_and_not_a_guess() -> None:
    params = params_of(TRUCK)
    assert math.isnan(params["service_due"]["distance_km"])


@pytest.mark.parametrize(
    ("sensor", "film_c", "limit_c"),
    [
        ("sump", 139.0, SUMP_LIMIT_C),  # a thick fluid: the sump's own limit
        ("sump", 124.0, SUMP_LIMIT_C),
        ("sump", 115.0, 115.0),  # a thin one: its film
        ("sump", 100.0, 110.0),  # never below what every tow reaches
        ("converter_out", 124.0, SUMP_LIMIT_C + 20.0),
        ("cooler_line", 115.0, 135.0),
    ],
)
def test_the_limit_depends_on_the_sensors_place_and_on_the_fluid(
    sensor: Sensor, film_c: float, limit_c: float
) -> None:
    limits = params_of(replace(TRUCK, sensor=sensor), film_temp_c=film_c)["over_temperature"]
    assert limits["limit_c"] == limit_c
    assert limits["high_c"] == limit_c + HIGH_STEP_K
    assert limits["critical_c"] == limit_c + CRITICAL_STEP_K


def test_the_managers_own_limits_win() -> None:
    own = Limits(
        over_temperature_c=100.0,
        over_temperature_critical_c=104.0,
        service_distance_km=5.0,
        service_days=7.0,
    )
    params = params_of(replace(TRUCK, limits=own))
    assert params["over_temperature"]["limit_c"] == 100.0
    assert params["over_temperature"]["critical_c"] == 104.0
    assert params["over_temperature"]["high_c"] == 104.0
    assert params["bypass_stuck"]["critical_c"] == 100.0
    assert params["service_due"]["distance_km"] == 5.0
    assert params["service_due"]["age_days"] == 7.0


def test_rated_torque_is_the_trucks_own_or_that_of_its_class() -> None:
    own = params_of(replace(TRUCK, rated_torque_nm=777.0))["latest"]["rated_torque_nm"]
    assert own == 777.0
    for name, numbers in THERMAL_CLASSES.items():
        prior = params_of(replace(TRUCK, thermal_class=name))["latest"]["rated_torque_nm"]  # type: ignore[arg-type] # from its own table
        assert prior == numbers[3]


def test_a_truck_that_is_not_registered_has_every_default() -> None:
    fleet = Fleet(vehicles={"NF-01": TRUCK})
    stranger = fleet.vehicle("XX-1")
    assert (stranger.name, stranger.title) == ("XX-1", "XX-1")
    assert fleet.fluid_of(stranger) is CHART
    assert (
        parameters(stranger, CHART, max_gap_s=300.0, silent_after_s=900.0).tobytes()
        == parameters(
            Vehicle(name="other", registered=False),
            CHART,
            max_gap_s=300.0,
            silent_after_s=900.0,
        ).tobytes()
    )
