"""The run behind a what-if, against closed forms, a public solver, and the reference problem."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from ht import effectiveness_from_NTU
from numpy.typing import NDArray
from scipy.integrate import quad, solve_ivp

from models.circuit import (
    BYPASS,
    FLUID_HEAT,
    FULL_FLOW,
    PAN,
    SINK_RISE_K,
    VALVE_LAG_S,
    opening,
)
from models.cooler import conductance_w_k, grown, pumped, ram
from models.duty import Floats
from models.hypotheses import SHUT
from models.what_if_cost import share_above
from models.what_if_figures import Change
from tests.models.duties import AIR, RPM_WARM, circuit, course, duty

LIBRARY: Callable[..., float] = effectiveness_from_NTU

HOURS = 12
STEADY = HOURS * 360


def steady_c(heat_w: float, cooler_w_k: float, *, between_w_k: float = 330.0) -> float:
    """Solve the two balances at rest for the fluid [°C]."""
    case = 30.0
    balances = np.array(
        [
            [between_w_k + PAN * case + cooler_w_k, -between_w_k],
            [-between_w_k, between_w_k + (1.0 - PAN) * case],
        ]
    )
    sources = np.array(
        [
            FLUID_HEAT * heat_w + PAN * case * AIR + cooler_w_k * (AIR + SINK_RISE_K),
            (1.0 - FLUID_HEAT) * heat_w + (1.0 - PAN) * case * AIR,
        ]
    )
    return float(np.linalg.solve(balances, sources)[0])


def settled_c(heat_w: float, fitted: NDArray[Any], **more: Any) -> float:
    return float(course(duty([heat_w] * STEADY), fitted, **more)[-1])


def at_c(fitted: NDArray[Any], celsius: float) -> float:
    """Conductance of the wide open cooler with the fluid at a temperature [W/K]."""
    return conductance_w_k(float(fitted[0]["cooler_w_k"]), pumped(RPM_WARM, celsius), ram(60.0))


@pytest.mark.parametrize("heat_w", [3_000.0, 6_000.0, 9_000.0, 12_000.0, 18_000.0])
def test_full_flow_settles_where_the_balances_do(heat_w: float) -> None:
    fitted = circuit(FULL_FLOW)
    found = settled_c(heat_w, fitted)
    assert found == pytest.approx(steady_c(heat_w, at_c(fitted, found)), abs=1e-6)


@pytest.mark.parametrize(
    ("heat_w", "lumped_c"), [(3_000, 49.25), (6_000, 64.25), (12_000, 94.25), (18_000, 124.25)]
)
def test_the_reference_problem_with_all_flow_to_the_cooler(
    heat_w: float, lumped_c: float
) -> None:
    """One node, 30 W/K to air of 30 °C and 170 W/K to 35 °C: closed form; two nodes and a sink of 34 °C
    are near it.
    """
    assert settled_c(heat_w, circuit(FULL_FLOW)) == pytest.approx(lumped_c, abs=3.0)


@pytest.mark.parametrize(("heat_w", "lumped_c"), [(6_000, 88.53), (9_000, 92.26)])
def test_the_reference_problem_with_its_valve(heat_w: float, lumped_c: float) -> None:
    assert settled_c(heat_w, circuit()) == pytest.approx(lumped_c, abs=2.0)


def test_the_reference_problem_without_a_cooler() -> None:
    """Closed form of one node: 40 °C, 3 kW, 1,800 s end at 79.022283 °C."""
    fitted = circuit(cooler_w_k=1e-9, fluid_metal_w_k=8_000.0)
    driven = duty([3_000.0] * 1800, span_s=1.0, start_c=40.0)
    assert course(driven, fitted)[-1] == pytest.approx(79.022283, abs=0.2)


def test_twice_the_core_settles_where_the_balances_do() -> None:
    fitted = circuit(FULL_FLOW, core_ln=math.log(2.0))
    found = settled_c(12_000.0, fitted)
    more = grown(math.log(2.0), 170.0 / 350.0, pumped(RPM_WARM, found))
    expected_c = steady_c(12_000.0, more * at_c(fitted, found))
    assert found == pytest.approx(expected_c, abs=1e-6)
    assert found < settled_c(12_000.0, circuit(FULL_FLOW)) - 10.0


@pytest.mark.parametrize("core", [0.5, 1.3, 2.0])
@pytest.mark.parametrize("used", [0.2, 0.49, 0.8])
def test_a_core_goes_by_its_number_of_transfer_units(core: float, used: float) -> None:
    """Against ``ht``, the limit of a sink that hardly warms."""
    units = -math.log(1.0 - used)
    before, after = (LIBRARY(many * units, 0.0, "counterflow") for many in (1.0, core))
    assert grown(math.log(core), used, 1.0) == pytest.approx(after / before, rel=1e-9)


def test_less_flow_leaves_less_for_a_bigger_core() -> None:
    gains = [grown(math.log(1.3), 0.49, share) for share in (1.0, 0.5, 0.2, 0.05)]
    assert gains == sorted(gains, reverse=True)
    assert gains[-1] == pytest.approx(1.0, abs=0.01)


def _slopes(fitted: NDArray[Any], heat_w: Floats, span_s: float) -> Any:
    """Write the balances down again, for a solver of its own."""
    row = fitted[0]

    def slopes(time_s: float, state: Floats) -> list[float]:
        fluid, metal, element = state
        heat = heat_w[min(len(heat_w) - 1, int(time_s / span_s))]
        share = (
            max(0.015, opening(element, 82.0, 96.0) ** 1.4) if row["kind"] == BYPASS else 1.0
        )
        pump = pumped(RPM_WARM, fluid)
        cooler = conductance_w_k(row["cooler_w_k"], pump * share, ram(60.0))
        to_metal = row["fluid_metal_w_k"] * (fluid - metal)
        pan = PAN * row["case_w_k"] * (fluid - AIR)
        case = (1.0 - PAN) * row["case_w_k"] * (metal - AIR)
        carried = cooler * (fluid - AIR - SINK_RISE_K)
        return [
            (FLUID_HEAT * heat - to_metal - pan - carried) / row["fluid_j_k"],
            ((1.0 - FLUID_HEAT) * heat + to_metal - case) / row["metal_j_k"],
            (fluid - element) / VALVE_LAG_S,
        ]

    return slopes


@pytest.mark.parametrize("kind", [BYPASS, FULL_FLOW])
def test_a_changing_duty_against_a_public_solver(kind: int) -> None:
    """SciPy's ``solve_ivp`` with a tolerance of 1e-8, over two hours of heat in steps of five minutes.

    With the valve the heat only rises, so that its play is never taken up.
    """
    steps = np.random.default_rng(5).uniform(500.0, 16_000.0, 24)
    heat_w = np.repeat(np.sort(steps) if kind == BYPASS else steps, 30)
    fitted = circuit(kind)
    found = course(duty(heat_w.tolist()), fitted)
    ends_s = 10.0 * np.arange(1, len(heat_w) + 1)
    exact = solve_ivp(
        _slopes(fitted, heat_w, 10.0),
        (0.0, float(ends_s[-1])),
        [60.0, 60.0, 60.0],
        t_eval=ends_s,
        rtol=1e-8,
        atol=1e-8,
        max_step=5.0,
    ).y[0]
    assert np.abs(found - exact).max() < 0.5
    assert np.abs(found - exact).mean() < 0.1


def test_a_stuck_valve_is_freed_by_a_full_flow_block_alone() -> None:
    driven = duty([9_000.0] * 720)
    stuck = course(driven, circuit(), hypothesis=SHUT)
    bigger = course(driven, circuit(core_ln=math.log(1.5)), hypothesis=SHUT)
    block = course(driven, circuit(FULL_FLOW), Change(full_flow=True), hypothesis=SHUT)
    assert stuck[-1] > 150.0
    assert stuck[-1] - bigger[-1] < 3.0
    assert block[-1] == pytest.approx(settled_c(9_000.0, circuit(FULL_FLOW)), abs=0.1)


def test_time_above_an_edge_is_exact_for_a_straight_inverse_temperature() -> None:
    low, high, edge = 95.0, 131.0, 121.0

    def above(share: float) -> float:
        inverse = (1.0 - share) / (low + 273.15) + share / (high + 273.15)
        return float(1.0 / inverse - 273.15 > edge)

    expected, _ = quad(above, 0.0, 1.0, limit=2_000)
    assert share_above(low, high, edge) == pytest.approx(expected, abs=1e-3)
    assert share_above(high, low, edge) == share_above(low, high, edge)
    assert share_above(low, high, 90.0) == 1.0
    assert share_above(low, high, 140.0) == 0.0
