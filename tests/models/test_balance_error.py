"""How far the balance of heat may be off: by the converter's heat, in cold fluid, and where it is read."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.balance_error import COLD_K, COLDEST, PER_KW, TWO_SINKS, WARM_C, error_times
from models.fleet import Sensor, Vehicle
from models.layout import blank, dtype_of, record
from models.view import View
from models.window import is_untold
from tests.models.banks import params_of

BYPASS = Vehicle(name="NF-01", circuit="thermostatic_bypass")
WITH_VALVE = Vehicle(name="NF-01", circuit="coolant_exchanger", coolant_valve=True)
REGULATED = [BYPASS, WITH_VALVE]
TANK = Vehicle(name="NF-01", circuit="radiator_tank")
TANK_AND_AIR = Vehicle(name="NF-01", circuit="radiator_tank", air_cooler=True)
OF_ONE_SINK = [
    Vehicle(name="NF-01", circuit="full_flow"),
    Vehicle(name="NF-01", circuit="coolant_exchanger"),
    TANK,
]

circuits = st.sampled_from([*REGULATED, *OF_ONE_SINK, TANK_AND_AIR])
sensors: st.SearchStrategy[Sensor] = st.sampled_from(get_args(Sensor))
trucks = st.builds(lambda vehicle, sensor: replace(vehicle, sensor=sensor), circuits, sensors)
kilowatts = st.floats(0.0, 60.0)
celsius = st.floats(-45.0, 150.0)
warm = st.floats(WARM_C, 150.0)


def times(vehicle: Vehicle, doubted_kw: float = 0.0, fluid_c: float = 80.0) -> float:
    return error_times(params_of(vehicle).bank.circuit, doubted_kw, fluid_c)


@pytest.mark.parametrize("vehicle", REGULATED, ids=lambda one: one.circuit)
@given(fluid_c=warm)
def test_warm_fluid_of_a_sump_behind_a_valve_is_off_by_what_is_stated(
    vehicle: Vehicle, fluid_c: float
) -> None:
    assert times(vehicle, 0.0, fluid_c) == 1.0


@given(vehicle=circuits, doubted_kw=kilowatts, fluid_c=celsius)
def test_where_it_is_read_it_is_off_more_the_further_that_is_from_the_sump(
    vehicle: Vehicle, doubted_kw: float, fluid_c: float
) -> None:
    sump, converter, line = (
        times(replace(vehicle, sensor=place), doubted_kw, fluid_c) for place in get_args(Sensor)
    )
    assert get_args(Sensor) == ("sump", "converter_out", "cooler_line")
    assert sump < converter < line


@given(
    regulated=st.sampled_from(REGULATED),
    without=st.sampled_from(OF_ONE_SINK),
    sensor=sensors,
    doubted_kw=kilowatts,
    fluid_c=celsius,
)
def test_without_a_valve_it_is_off_less_where_there_is_one_sink(
    regulated: Vehicle, without: Vehicle, sensor: Sensor, doubted_kw: float, fluid_c: float
) -> None:
    valve, none = (replace(one, sensor=sensor) for one in (regulated, without))
    assert times(none, doubted_kw, fluid_c) < times(valve, doubted_kw, fluid_c)


@given(
    other=st.sampled_from(REGULATED + OF_ONE_SINK),
    sensor=sensors,
    doubted_kw=kilowatts,
    fluid_c=celsius,
)
def test_where_two_sinks_share_the_heat_it_is_off_more_than_in_any_other_circuit(
    other: Vehicle, sensor: Sensor, doubted_kw: float, fluid_c: float
) -> None:
    two, one = (replace(vehicle, sensor=sensor) for vehicle in (TANK_AND_AIR, other))
    assert times(two, doubted_kw, fluid_c) > times(one, doubted_kw, fluid_c)


@given(sensor=sensors, doubted_kw=kilowatts, fluid_c=celsius)
def test_an_air_cooler_after_a_tank_makes_it_so_many_times_as_uncertain_as_the_tank_alone(
    sensor: Sensor, doubted_kw: float, fluid_c: float
) -> None:
    two, tank = (replace(vehicle, sensor=sensor) for vehicle in (TANK_AND_AIR, TANK))
    assert times(two, doubted_kw, fluid_c) == pytest.approx(
        TWO_SINKS * times(tank, doubted_kw, fluid_c)
    )


@given(vehicle=trucks, doubted_kw=kilowatts, more_kw=st.floats(0.1, 20.0), fluid_c=celsius)
def test_it_is_off_more_the_more_heat_comes_from_the_converter(
    vehicle: Vehicle, doubted_kw: float, more_kw: float, fluid_c: float
) -> None:
    less = times(vehicle, doubted_kw, fluid_c)
    assert times(vehicle, doubted_kw + more_kw, fluid_c) > less


@given(
    vehicle=trucks,
    doubted_kw=kilowatts,
    fluid_c=st.floats(WARM_C - COLDEST * COLD_K, WARM_C),
    colder_k=st.floats(0.1, 80.0),
)
def test_it_is_off_more_the_colder_the_fluid_is(
    vehicle: Vehicle, doubted_kw: float, fluid_c: float, colder_k: float
) -> None:
    coldest_c = WARM_C - COLDEST * COLD_K
    colder = times(vehicle, doubted_kw, max(coldest_c, fluid_c - colder_k))
    if fluid_c - coldest_c > 0.1:
        assert colder > times(vehicle, doubted_kw, fluid_c)
    assert times(vehicle, doubted_kw, fluid_c - colder_k) >= colder


@given(vehicle=trucks, doubted_kw=kilowatts, fluid_c=warm)
def test_in_warm_fluid_cold_plays_no_part(
    vehicle: Vehicle, doubted_kw: float, fluid_c: float
) -> None:
    assert times(vehicle, doubted_kw, fluid_c) == times(vehicle, doubted_kw, 80.0)


@given(vehicle=trucks, fluid_c=st.floats(-300.0, 150.0))
def test_cold_adds_no_more_than_so_much(vehicle: Vehicle, fluid_c: float) -> None:
    most = math.hypot(1.0, COLDEST) * times(vehicle)
    assert times(vehicle, 0.0, fluid_c) <= most * (1.0 + 1e-12)
    assert times(vehicle, 0.0, WARM_C - COLDEST * COLD_K - 1.0) == pytest.approx(most)


@given(vehicle=trucks)
def test_heat_and_cold_add_as_errors_do_that_have_nothing_to_do_with_each_other(
    vehicle: Vehicle,
) -> None:
    a_share_kw, a_share_c = 1.0 / PER_KW, WARM_C - COLD_K
    by_one = math.sqrt(2.0) * times(vehicle)
    assert times(vehicle, a_share_kw) == pytest.approx(by_one)
    assert times(vehicle, 0.0, a_share_c) == pytest.approx(by_one)
    assert times(vehicle, a_share_kw, a_share_c) == pytest.approx(
        math.sqrt(3.0) * times(vehicle)
    )


def seen(**untold: float) -> Any:
    view = record(blank(dtype_of(View)))
    view.torque_nm, view.lockup, view.speed_km_h = 400.0, 1.0, 70.0
    for name, value in untold.items():
        view[name] = value
    return view


@pytest.mark.parametrize("name", ["torque_nm", "lockup", "speed_km_h"])
def test_load_clutch_or_speed_that_no_signal_tells_must_be_guessed(name: str) -> None:
    assert not is_untold(seen())
    assert is_untold(seen(**{name: math.nan}))


@pytest.mark.parametrize("name", ["rpm", "coolant_c", "air_c", "fluid_c"])
def test_what_else_is_not_told_makes_the_heat_of_the_converter_no_guess(name: str) -> None:
    assert not is_untold(seen(**{name: math.nan}))
