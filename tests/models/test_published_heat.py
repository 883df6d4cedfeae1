"""Heat made in the gearbox against converter cases: SAE J643 terms, worked out."""

from __future__ import annotations

import math
from typing import NamedTuple

import pytest

from models.heat import converter_heat, gearbox_heat, spin_loss


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
        assert gearbox_heat(torque, 1700.0, 0.0, 0.0, math.nan, math.nan)[0] == spin_loss(
            1700.0, math.nan
        )


def test_an_engine_that_stands_makes_no_heat() -> None:
    assert gearbox_heat(300.0, 0.0, 0.0, 0.0, 0.0, 0.0)[0] == 0.0


def test_what_is_not_known_widens_the_spread() -> None:
    known = gearbox_heat(450.0, 1800.0, 80.0, 4.0, 1.0, math.nan)
    nobody_says = gearbox_heat(450.0, 1800.0, 80.0, 4.0, math.nan, math.nan)
    blind = gearbox_heat(math.nan, 1800.0, 80.0, 4.0, 1.0, math.nan)
    assert known[1] / known[0] < nobody_says[1] / nobody_says[0]
    assert nobody_says[1] / nobody_says[0] < 1.5
    assert blind[1] == blind[0]
