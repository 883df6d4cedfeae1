"""The physics against hand-worked numbers and a library."""

import itertools
import math
from collections.abc import Callable
from random import Random

import pytest
from ht import effectiveness_from_NTU
from hypothesis import given
from hypothesis import strategies as st

from simulator.physics.converter import (
    capacity_shape,
    slip_heat_w,
    speed_ratio_at,
    torque_ratio,
)
from simulator.physics.cooler import (
    Exchanger,
    counterflow_effectiveness,
    crossflow_effectiveness,
)
from simulator.physics.fluid import density_kg_m3, specific_heat_j_kgk, viscosity_mm2_s
from simulator.physics.road import road_load_n
from simulator.physics.truck import Truck
from simulator.physics.valve import WaxValve
from simulator.physics.weather import Weather
from simulator.plan import TruckClass
from simulator.trucks import EXCHANGER_SHARE, truck_spec

LIBRARY: Callable[..., float] = effectiveness_from_NTU


@pytest.mark.parametrize("units", [0.1, 0.5, 1.0, 2.0, 5.0])
@pytest.mark.parametrize("ratio", [0.05, 0.25, 0.5, 0.9, 1.0])
def test_effectiveness_agrees_with_ht(units: float, ratio: float) -> None:
    crossed = LIBRARY(units, ratio, "crossflow approximate")
    countered = LIBRARY(units, ratio, "counterflow")
    assert crossflow_effectiveness(units, ratio) == pytest.approx(crossed, rel=1e-9)
    assert counterflow_effectiveness(units, ratio) == pytest.approx(countered, rel=1e-9)


def test_effectiveness_of_a_handbook_oil_cooler() -> None:
    # Incropera and DeWitt, example 11.1: oil 0.1 kg/s of 2131 J/kgK, water 0.2 kg/s of 4178
    # J/kgK,
    # UA 197.31 W/K (inputs from memory).
    least, most = 0.1 * 2131.0, 0.2 * 4178.0
    effectiveness = counterflow_effectiveness(197.31 / least, least / most)
    assert effectiveness * least * (100.0 - 30.0) == pytest.approx(8524.0, abs=5.0)


def test_a_cooler_moves_less_with_less_flow_on_either_side() -> None:
    core = Exchanger(ua_w_k=300.0, hot_ref_w_k=285.0, sink_ref_w_k=805.0)
    full = core.conductance_w_k(285.0, 805.0)
    # 9.5 L/min of fluid against 0.8 kg/s of air: 167 W/K (worked by hand with the same
    # formula).
    assert full == pytest.approx(167.0, abs=2.0)
    assert core.conductance_w_k(100.0, 805.0) < full
    assert core.conductance_w_k(285.0, 200.0) < full
    assert core.conductance_w_k(0.0, 805.0) == 0.0


def test_road_load_of_a_hand_worked_climb() -> None:
    # 8 000 kg, 72 km/h, 5 %: cos(atan 0.05) = 0.998752; weight 78 453.2 N;
    # rolling 0.009 -> 705.20 N; rise -> 3 917.76 N; drag 0.5 * 1.184 * 4.0 * 400 = 947.20 N.
    load = road_load_n(8_000.0, 20.0, grade_pct=5.0, drag_area_m2=4.0, rolling=0.009)
    assert load == pytest.approx(705.20 + 3917.76 + 947.20, abs=0.1)


def test_fluid_properties() -> None:
    # Cragoe's specific heat 1.96, 2.11, 2.18 kJ/kgK at 40, 80, 100 °C; density 810 at 100 °C.
    assert specific_heat_j_kgk(40.0) == pytest.approx(1960.0, abs=5.0)
    assert specific_heat_j_kgk(80.0) == pytest.approx(2110.0, abs=5.0)
    assert specific_heat_j_kgk(100.0) == pytest.approx(2180.0, abs=5.0)
    assert density_kg_m3(100.0) == pytest.approx(810.0, abs=1.0)
    assert viscosity_mm2_s(40.0) == pytest.approx(30.0)
    assert viscosity_mm2_s(100.0) == pytest.approx(6.0)


def test_stall_turns_all_power_to_heat() -> None:
    # 400 N·m at 2 200 1/min: 92.15 kW.
    assert slip_heat_w(400.0, 2200.0 * math.pi / 30.0, 0.0) == pytest.approx(92_150.0, abs=10.0)


@given(st.floats(0.02, 0.99), st.floats(50.0, 1500.0))
def test_the_speed_ratio_found_passes_the_torque_asked(ratio: float, turbine_nm: float) -> None:
    factor = 70.0
    turbine_rpm = (
        ratio * factor * capacity_shape(ratio) * math.sqrt(turbine_nm / torque_ratio(ratio))
    )
    assert speed_ratio_at(turbine_rpm, turbine_nm, factor) == pytest.approx(ratio, abs=2e-3)


def _valve() -> WaxValve:
    return WaxValve(open_c=82.0, full_c=96.0, hysteresis_k=5.0, lag_s=25.0, start_c=60.0)


def _held(valve: WaxValve, fluid_c: float) -> float:
    for _ in range(600):
        valve.step(fluid_c, 1.0)
    return valve.opening


def test_the_valve_opens_higher_than_it_closes() -> None:
    valve = _valve()
    assert _held(valve, 81.9) == 0.0
    assert _held(valve, 89.0) == pytest.approx(0.5, abs=1e-6)
    assert _held(valve, 85.0) == pytest.approx(0.5, abs=1e-6)  # within the play: it stays
    assert _held(valve, 82.0) == pytest.approx(5.0 / 14.0, abs=1e-6)
    assert _held(valve, 76.9) == pytest.approx(0.0, abs=1e-3)
    assert _held(valve, 100.0) == 1.0


def test_the_valve_lags() -> None:
    valve = _valve()
    for _ in range(25):
        valve.step(100.0, 1.0)
    assert valve.element_c == pytest.approx(100.0 - 40.0 / math.e, abs=1e-9)


def test_a_valve_that_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="no such valve"):
        WaxValve(open_c=90.0, full_c=80.0, hysteresis_k=5.0, lag_s=25.0, start_c=20.0)


def test_air_is_warmest_at_its_peak_hour() -> None:
    weather = Weather(mean_c=20.0, swing_c=6.0, peak_hour=15.0)
    assert weather.ambient_c(15 * 3600.0) == pytest.approx(26.0)
    assert weather.ambient_c(3 * 3600.0) == pytest.approx(14.0)


def _drive(
    truck: Truck, minutes: int, *, speed: float, grade: float, trailer: float, on: bool = True
) -> list[float]:
    temps = []
    for second in range(60 * minutes):
        truck.step(
            1.0,
            float(second),
            target_m_s=speed / 3.6,
            grade_pct=grade,
            trailer_kg=trailer,
            engine_on=on,
        )
        temps.append(truck.thermal.sump_c)
    return temps


def _truck(
    truck_class: TruckClass = "pickup",
    circuit: str = "thermostatic_bypass",
    *,
    air_cooler: bool = False,
    start_c: float | None = None,
) -> Truck:
    known = next(name for name in EXCHANGER_SHARE if name == circuit)
    return Truck(
        truck_spec(truck_class, known, air_cooler=air_cooler),
        weather=Weather(mean_c=30.0, swing_c=0.0),
        start_s=0.0,
        rng=Random(4),
        start_temp_c=start_c,
    )


@pytest.mark.parametrize(
    ("circuit", "air_cooler"),
    [*((circuit, False) for circuit in EXCHANGER_SHARE), ("radiator_tank", True)],
)
def test_heat_in_is_heat_stored_and_rejected(circuit: str, air_cooler: bool) -> None:
    truck = _truck(circuit=circuit, air_cooler=air_cooler)
    before = truck.thermal.stored_j()
    _drive(truck, 30, speed=70.0, grade=4.0, trailer=5_000.0)
    _drive(truck, 10, speed=0.0, grade=0.0, trailer=5_000.0, on=False)
    thermal = truck.thermal
    gained = thermal.stored_j() - before
    assert thermal.heat_j > 5e6
    assert gained + thermal.rejected_j == pytest.approx(thermal.heat_j, rel=0.01)


@pytest.mark.parametrize("truck_class", ["pickup", "medium", "heavy"])
def test_a_healthy_loaded_tow_settles_between_80_and_100(truck_class: TruckClass) -> None:
    truck = _truck(truck_class, start_c=70.0)
    trailer = {"pickup": 5_000.0, "medium": 8_000.0, "heavy": 14_000.0}[truck_class]
    temps = _drive(truck, 60, speed=80.0, grade=1.0, trailer=trailer)
    late = temps[-600:]
    assert min(late) > 80.0
    assert max(late) < 100.0


def test_stuck_in_bypass_cooks_a_climb_within_half_an_hour() -> None:
    healthy, stuck = _truck(start_c=85.0), _truck(start_c=85.0)
    stuck.effects.valve_high = 0.0
    fine = _drive(healthy, 30, speed=70.0, grade=4.5, trailer=5_000.0)
    cooked = _drive(stuck, 30, speed=70.0, grade=4.5, trailer=5_000.0)
    assert max(fine) < 100.0
    assert max(cooked) > 130.0
    assert next(i for i, temp in enumerate(cooked) if temp > 130.0) > 5 * 60
    assert stuck.thermal.line_c < stuck.thermal.sump_c - 40.0


def test_an_air_cooler_behind_the_tank_takes_what_the_tank_left() -> None:
    alone, both, starved = (
        _truck(circuit="radiator_tank", air_cooler=air, start_c=80.0)
        for air in (False, True, True)
    )
    starved.effects.air = 0.0
    for truck in (alone, both, starved):
        _drive(truck, 40, speed=70.0, grade=3.0, trailer=5_000.0)
    thermal = both.thermal
    # The cooler takes the fluid from where the tank left it, and only the tank's part warms the coolant.
    assert thermal.air_cooling_w > 500.0
    assert thermal.return_c < thermal.line_c - thermal.cooling_w / 400.0
    assert thermal.sump_c < alone.thermal.sump_c - 3.0
    assert both.coolant.radiator_w < alone.coolant.radiator_w
    # Without air it is the tank alone.
    assert starved.thermal.air_cooling_w == 0.0
    assert starved.thermal.sump_c == pytest.approx(alone.thermal.sump_c, abs=0.1)


def test_without_flow_nothing_is_cooled() -> None:
    truck = _truck(circuit="radiator_tank", air_cooler=True, start_c=80.0)
    truck.effects.flow = 0.0
    _drive(truck, 5, speed=70.0, grade=0.0, trailer=0.0)
    assert truck.thermal.cooling_w == truck.thermal.air_cooling_w == 0.0


def test_heat_flows_have_the_size_they_should() -> None:
    # Magnitudes: common practice, no source. Empty cruise 1 to 2.5 kW, locked climb 6 to 15 kW.
    truck = _truck(start_c=80.0)
    _drive(truck, 15, speed=90.0, grade=0.0, trailer=0.0)
    before = truck.thermal.heat_j
    _drive(truck, 15, speed=90.0, grade=0.0, trailer=0.0)
    assert 1_000.0 < (truck.thermal.heat_j - before) / 900.0 < 2_500.0
    before = truck.thermal.heat_j
    _drive(truck, 15, speed=70.0, grade=4.5, trailer=5_000.0)
    assert 6_000.0 < (truck.thermal.heat_j - before) / 900.0 < 15_000.0


def test_a_parked_truck_cools_towards_the_air() -> None:
    truck = _truck(start_c=95.0)
    temps = _drive(truck, 120, speed=0.0, grade=0.0, trailer=0.0, on=False)
    assert all(later < earlier for earlier, later in itertools.pairwise(temps))
    assert 35.0 < temps[-1] < 80.0
