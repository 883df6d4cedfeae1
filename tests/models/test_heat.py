"""Heat made in the gearbox where the gears are known, and where little is."""

from __future__ import annotations

import math
from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.heat import (
    converter_heat,
    converter_share,
    gearbox_heat,
    guessed_torque,
    spin_loss,
    torque_ratio,
)

RPM = 2.0 * math.pi / 60.0


class Case(NamedTuple):
    name: str
    torque_nm: float
    rpm: float
    speed_ratio: float
    torque_ratio: float
    heat_kw: float


# P = T omega (1 - SR TR), worked out; torque ratios as a converter of 1.9 at stall has them.
CASES = [
    Case("stall", 400, 2200, 0.0, 1.9, 92.15),
    Case("launch", 450, 2000, 0.40, 1.45, 39.58),
    Case("grade, unlocked", 500, 2500, 0.85, 1.02, 17.41),
    Case("coupling point", 500, 2000, 0.90, 1.0, 10.47),
    Case("cruise, unlocked", 250, 1900, 0.94, 1.0, 2.98),
]
each_case = pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)


def unlocked(case: Case, sd: float = 0.01) -> tuple[float, float]:
    return converter_heat(
        case.torque_nm, case.rpm, 60.0, 0.0, math.nan, 0.0, case.speed_ratio, sd
    )


@each_case
def test_with_a_known_speed_ratio_the_heat_is_the_converters_own(case: Case) -> None:
    heat_w, sd_w = unlocked(case)
    assert heat_w == pytest.approx(1000.0 * case.heat_kw, rel=0.08)
    assert abs(heat_w - 1000.0 * case.heat_kw) <= 2.0 * sd_w
    assert torque_ratio(case.speed_ratio) == pytest.approx(case.torque_ratio, abs=0.05)


@pytest.mark.parametrize("case", CASES[2:], ids=lambda case: case.name)
def test_past_the_launch_a_known_gear_makes_the_heat_surer(case: Case) -> None:
    by_speed = converter_heat(case.torque_nm, case.rpm, 60.0, 0.0, math.nan, 0.0, math.nan, 0.0)
    assert unlocked(case)[1] < by_speed[1]
    assert unlocked(case, 0.01)[1] < unlocked(case, 0.05)[1]


@given(ratio=st.floats(min_value=0.0, max_value=1.2))
def test_a_converter_makes_heat_and_never_more_than_it_takes(ratio: float) -> None:
    assert 0.0 <= converter_share(ratio) <= 1.0


def test_the_torque_ratio_falls_to_one_at_the_coupling_point() -> None:
    assert torque_ratio(0.0) == pytest.approx(1.9)
    assert torque_ratio(0.44) == pytest.approx(1.45)
    assert torque_ratio(0.88) == pytest.approx(1.0)
    assert torque_ratio(0.95) == 1.0


@pytest.mark.parametrize("torque_nm", [-80.0, 80.0])
def test_overrun_makes_the_heat_of_its_slip_as_pulling_does(torque_nm: float) -> None:
    heat_w, _ = converter_heat(torque_nm, 1600.0, 70.0, 1.0, -20.0, 3.0, math.nan, 0.0)
    assert heat_w == pytest.approx(80.0 * 20.0 * RPM)
    coasting, _ = converter_heat(torque_nm, 1600.0, 70.0, 0.0, math.nan, 0.0, 1.05, 0.0)
    assert coasting == pytest.approx(80.0 * 1600.0 * RPM * 0.05)


def test_an_estimated_slip_is_no_surer_than_it_is() -> None:
    heat_w, sd_w = converter_heat(450.0, 1800.0, 80.0, 1.0, 15.0, 8.0, math.nan, 0.0)
    assert heat_w == pytest.approx(450.0 * 15.0 * RPM)
    assert sd_w == pytest.approx(450.0 * 8.0 * RPM)


def test_without_a_command_a_known_ratio_says_what_slips() -> None:
    closed, closed_sd = converter_heat(400.0, 1700.0, 80.0, math.nan, math.nan, 0.0, 1.0, 0.01)
    opened, _ = converter_heat(400.0, 1700.0, 80.0, math.nan, math.nan, 0.0, 0.9, 0.01)
    unsure = converter_heat(400.0, 1700.0, 80.0, math.nan, math.nan, 0.0, math.nan, 0.0)
    power_w = 400.0 * 1700.0 * RPM
    assert closed == pytest.approx(0.0)
    assert opened == pytest.approx(0.1 * power_w)
    assert closed_sd < unsure[1]


def test_cold_fluid_drags() -> None:
    warm = spin_loss(1700.0, 90.0)
    assert warm == pytest.approx(spin_loss(1700.0, math.nan), rel=0.01)
    assert warm < spin_loss(1700.0, 40.0) < spin_loss(1700.0, 0.0) < 5.0 * warm
    assert spin_loss(1700.0, -40.0) == spin_loss(1700.0, -10.0)


def test_a_torque_that_is_guessed_widens_the_heat() -> None:
    told = gearbox_heat(300.0, 1700.0, 80.0, 5.0, 1.0, 10.0)
    guessed = gearbox_heat(300.0, 1700.0, 80.0, 5.0, 1.0, 10.0, torque_sd_nm=200.0)
    assert guessed[0] == told[0]
    assert guessed[1] > 2.0 * told[1]
    neutral = gearbox_heat(300.0, 700.0, 0.0, 0.0, 0.0, 0.0, torque_sd_nm=200.0)
    assert neutral[1] < 100.0  # whatever the engine gives, nothing takes it


def test_the_guess_of_a_torque_follows_the_road() -> None:
    standing, _ = guessed_torque(900.0, 650.0, 0.0, 0.0)
    steady, spread = guessed_torque(900.0, 1600.0, 80.0, 0.0)
    gathering, _ = guessed_torque(900.0, 1600.0, 80.0, 1.5)
    losing, _ = guessed_torque(900.0, 1600.0, 80.0, -2.0)
    assert losing < standing < steady < gathering <= 900.0
    assert losing > 0.0
    assert spread > 0.5 * steady
    assert math.isnan(guessed_torque(900.0, math.nan, 80.0, 0.0)[0])
