"""The line to the cooler: what a cool or a hot one says of flow, and what it does not."""

from __future__ import annotations

import math
from typing import Any

import pytest

from models.bank import Bank, begin_bank, settle_bank, step_bank
from models.circuit import FLUID, STATES
from models.fleet import Vehicle
from models.hypotheses import COUNT, HEALTHY, SHUT
from models.layout import blank, dtype_of, record
from tests.models.banks import driving, params_of

AIR_C = 10.0
IN_LINE = Vehicle(name="NF-01", circuit="thermostatic_bypass", sensor="cooler_line")
IN_SUMP = Vehicle(name="NF-01", circuit="thermostatic_bypass")


def begun(vehicle: Vehicle, fluid_c: float) -> tuple[Any, Any]:
    params, bank = params_of(vehicle).bank, record(blank(dtype_of(Bank)))
    begin_bank(params, bank, fluid_c)
    return params, bank


def windows(
    params: Any,
    bank: Any,
    count: int,
    *,
    heat_kw: float,
    fluid_c: float,
    line_c: float = math.nan,
    rpm: float = 1700.0,
) -> None:
    duty = driving(heat_kw=heat_kw, air_c=AIR_C, rpm=rpm)
    for _ in range(count):
        step_bank(params, bank, duty, 0.5, 0.3, 1.0, fluid_c, line_c, math.nan, True)


def sump_c(bank: Any, hypothesis: int) -> float:
    return float(bank.x.reshape(COUNT, STATES)[hypothesis, FLUID])


@pytest.fixture
def flowing() -> tuple[Any, Any]:
    """A truck with its sensor in the line, held by its valve for a while."""
    params, bank = begun(IN_LINE, 86.0)
    windows(params, bank, 30, heat_kw=6.0, fluid_c=87.0)
    assert bank.p[HEALTHY] > 0.99
    return params, bank


def test_of_a_line_that_stays_cold_the_sump_is_reckoned_from_the_heat_put_in(
    flowing: tuple[Any, Any],
) -> None:
    # 9 kW into some 100 kJ/K, of which the case sheds 2 to 3: 3 to 4 K a minute, for ten minutes.
    params, bank = flowing
    before_c = sump_c(bank, SHUT)
    windows(params, bank, 20, heat_kw=9.0, fluid_c=40.0)
    assert 25.0 < sump_c(bank, SHUT) - before_c < 45.0


def test_a_line_that_cools_while_hardly_any_heat_goes_in_is_nothing(
    flowing: tuple[Any, Any],
) -> None:
    params, bank = flowing
    windows(params, bank, 40, heat_kw=1.0, fluid_c=40.0)
    assert bank.p[HEALTHY] > 0.9


def test_flow_that_is_seen_sets_the_shut_valves_filter_back(flowing: tuple[Any, Any]) -> None:
    # A valve that was shut all along would have the sump far above its line.
    _, bank = flowing
    assert sump_c(bank, SHUT) == pytest.approx(87.0, abs=4.0)


def test_a_cold_line_beside_a_hot_sump_is_a_shut_valve() -> None:
    params, bank = begun(IN_SUMP, 80.0)
    windows(params, bank, 20, heat_kw=2.0, fluid_c=80.0, line_c=30.0)
    assert bank.p[SHUT] < 0.01  # a healthy valve is shut as well
    windows(params, bank, 12, heat_kw=8.0, fluid_c=104.0, line_c=30.0)
    assert bank.p[SHUT] > 0.9


def test_a_hot_line_clears_the_valve_and_not_the_air() -> None:
    params, bank = begun(IN_SUMP, 104.0)
    windows(params, bank, 60, heat_kw=5.0, fluid_c=104.0, line_c=103.0)
    assert bank.p[SHUT] < 0.01


def test_with_the_pump_at_rest_a_line_says_nothing() -> None:
    params, bank = begun(IN_SUMP, 104.0)
    windows(params, bank, 6, heat_kw=0.0, fluid_c=104.0, line_c=60.0, rpm=0.0)
    before = bank.p[SHUT]
    windows(params, bank, 20, heat_kw=0.0, fluid_c=104.0, line_c=30.0, rpm=0.0)
    assert bank.p[SHUT] < 10.0 * before + 1e-3


@pytest.mark.parametrize(
    ("gap_s", "least_c", "most_c"), [(600.0, 70.0, 84.0), (1e6, 30.0, 31.0)]
)
def test_after_a_stop_the_sump_has_kept_some_of_its_heat(
    flowing: tuple[Any, Any], gap_s: float, least_c: float, most_c: float
) -> None:
    params, bank = flowing
    settle_bank(params, bank, 30.0, False, False, gap_s)
    assert least_c <= sump_c(bank, HEALTHY) <= most_c
