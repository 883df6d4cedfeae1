"""The heat balance against a lumped circuit worked by hand, and the heat against converter cases.

Reference circuit (magnitudes common practice, figures worked out): heat capacity 95 kJ/K, case 30 W/K,
open cooler 170 W/K, air 30 °C, air before the cooler 35 °C, valve linear from 82 to 96 °C. These are the
prior of a medium truck at 60 km/h.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, NamedTuple

import pytest

from models.heat import converter_heat, gearbox_heat
from models.layout import blank, dtype_of, record
from models.parameters import THERMAL_CLASSES
from models.thermal import (
    SINK_RISE_K,
    Thermal,
    ThermalParams,
    _fill,
    _restart_window,
    opening,
)
from models.view import View
from tests.printed import agrees

CAPACITY, CASE, COOLER = THERMAL_CLASSES["medium"][:3]
AIR_C = 30.0


def reference() -> Any:
    params = record(blank(dtype_of(ThermalParams)))
    params.bypass_circuit = 1
    params.heat_capacity_j_k, params.case_w_k, params.cooler_w_k = CAPACITY, CASE, COOLER
    params.open_c, params.full_c = 82.0, 96.0
    return params


def window(trace: Callable[[float], float], seconds: int, heat_w: float, dt_s: float) -> Any:
    """Fill one long window with a temperature trace at 60 km/h and warm-engine speed."""
    thermal = record(blank(dtype_of(Thermal)))
    view = record(blank(dtype_of(View)))
    view.speed_km_h, view.rpm, view.air_c = 60.0, 1500.0, AIR_C
    view.line_out_c = math.nan
    thermal.valve_c = trace(0.0)
    _restart_window(thermal, trace(0.0), heat_w)
    for step in range(1, round(seconds / dt_s) + 1):
        thermal.span_s, thermal.span_heat_j = dt_s, heat_w * dt_s
        view.fluid_c = trace(step * dt_s)
        _fill(reference(), thermal, view)
    return thermal


def test_the_priors_are_the_reference_circuit() -> None:
    assert (CAPACITY, CASE, COOLER, SINK_RISE_K) == (95e3, 30.0, 170.0, 5.0)


def test_warming_without_cooler_closes_the_balance() -> None:
    # Valve shut, 40 °C, 3 kW, 1800 s: 79.022283 °C.
    def trace(seconds: float) -> float:
        return 130.0 - 90.0 * math.exp(-seconds * CASE / CAPACITY)

    assert agrees(trace(1800.0), "79.022283")
    thermal = window(trace, 1800, heat_w=3000.0, dt_s=10.0)
    assert thermal.carried_k == 0.0
    rise = thermal.last_c - thermal.start_c
    assert thermal.made_k - thermal.lost_k == pytest.approx(rise, abs=1e-3)


class Steady(NamedTuple):
    heat_kw: float
    healthy_c: str


@pytest.mark.parametrize(
    "row",
    [
        Steady(3.0, "84.29"),
        Steady(6.0, "88.5294"),
        Steady(9.0, "92.26"),
        Steady(12.0, "95.63"),
        Steady(18.0, "124.25"),
    ],
    ids=lambda row: f"{row.heat_kw:g}kW",
)
def test_a_healthy_circuit_stands_still_where_worked(row: Steady) -> None:
    celsius = float(row.healthy_c)
    thermal = window(lambda _: celsius, 60, heat_w=1000.0 * row.heat_kw, dt_s=10.0)
    imbalance = thermal.made_k - thermal.lost_k - thermal.carried_k
    # Per kelvin off, the balance moves by the steepest slope of the flows out.
    per_kelvin = 60.0 / CAPACITY * (CASE + COOLER + COOLER * (celsius - 35.0) / 14.0)
    half_digit = 0.5 * 10.0 ** -len(row.healthy_c.split(".")[1])
    assert abs(imbalance) <= per_kelvin * half_digit * 1.01


def test_the_root_of_the_opening_span_at_6_kw() -> None:
    # 6000 = 30 (T - 30) + 170 (T - 35) (T - 82) / 14.
    share = opening(88.5294, 82.0, 96.0)
    out_w = CASE * (88.5294 - AIR_C) + COOLER * share * (88.5294 - 35.0)
    assert out_w == pytest.approx(6000.0, abs=0.1)


@pytest.mark.parametrize(
    ("celsius", "share"), [(20.0, 0.0), (82.0, 0.0), (89.0, 0.5), (96.0, 1.0), (180.0, 1.0)]
)
def test_the_valve_opens_in_a_straight_line(celsius: float, share: float) -> None:
    assert opening(celsius, 82.0, 96.0) == pytest.approx(share)


class Case(NamedTuple):
    name: str
    torque_nm: float
    rpm: float
    speed_km_h: float  # that goes with the speed ratio in a usual gear
    lockup: float
    slip_rpm: float
    heat_kw: str


# P = T omega (1 - SR TR); clutch slip T (omega_engine - omega_turbine): SAE J643 terms, worked out.
CASES = [
    Case("stall", 400, 2200, 0, 0, math.nan, "92.15"),
    Case("launch, SR 0.40, TR 1.45", 450, 2000, 8, 0, math.nan, "39.58"),
    Case("grade unlocked, SR 0.85, TR 1.02", 500, 2500, 50, 0, math.nan, "17.41"),
    Case("coupling point, SR 0.90", 500, 2000, 60, 0, math.nan, "10.47"),
    Case("cruise unlocked, SR 0.94", 250, 1900, 80, 0, math.nan, "2.98"),
    Case("locked, 40 rpm slip", 450, 1800, 80, 1, 40, "1.88"),
    Case("locked, 200 rpm slip", 450, 1800, 80, 1, 200, "9.42"),
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_converter_heat_lies_within_twice_the_stated_spread(case: Case) -> None:
    heat_w, sd_w = converter_heat(
        case.torque_nm,
        case.rpm,
        case.speed_km_h,
        case.lockup,
        case.slip_rpm,
        0.0,
        math.nan,
        0.0,
    )
    assert abs(heat_w - 1000.0 * float(case.heat_kw)) <= 2.0 * sd_w + 5.0
    total_w, total_sd_w = gearbox_heat(
        case.torque_nm, case.rpm, case.speed_km_h, 3.0, case.lockup, case.slip_rpm
    )
    assert total_w > heat_w
    assert total_sd_w >= sd_w


@pytest.mark.parametrize("slip_rpm", [40.0, 200.0, -40.0])
def test_clutch_slip_heat_is_torque_times_slip(slip_rpm: float) -> None:
    heat_w, _ = converter_heat(450.0, 1800.0, 80.0, 1.0, slip_rpm, 0.0, math.nan, 0.0)
    assert heat_w == pytest.approx(450.0 * abs(slip_rpm) * 2.0 * math.pi / 60.0)


def test_heat_in_neutral_is_the_spin_loss_alone() -> None:
    for torque in (0.0, 100.0, 500.0):
        assert gearbox_heat(torque, 1700.0, 0.0, 0.0, math.nan, math.nan)[0] == 700.0


def test_an_engine_that_stands_makes_no_heat() -> None:
    assert gearbox_heat(300.0, 0.0, 0.0, 0.0, 0.0, 0.0)[0] == 0.0


def test_what_is_not_known_widens_the_spread() -> None:
    known = gearbox_heat(450.0, 1800.0, 80.0, 4.0, 1.0, math.nan)
    nobody_says = gearbox_heat(450.0, 1800.0, 80.0, 4.0, math.nan, math.nan)
    blind = gearbox_heat(math.nan, 1800.0, 80.0, 4.0, 1.0, math.nan)
    assert known[1] / known[0] < nobody_says[1] / nobody_says[0]
    assert nobody_says[1] / nobody_says[0] < 1.5
    assert blind[1] == blind[0]
