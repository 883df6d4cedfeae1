"""The circuit's forward physics against a lumped circuit worked by hand.

Reference problem (magnitudes common practice, figures worked out): heat capacity 95 kJ/K, case 30 W/K,
open cooler 170 W/K, outside air 30 °C, air before the cooler 35 °C, valve linear from 82 to 96 °C.

It has one node; the models' second is tied to the first so stiffly that both are one. It has 5 K between
outside air and the air before the cooler: what the models' own rise leaves of that is put into the outside
air, and what the case sheds less for it is taken off the heat, so that the balance is the same. Where it
has no leak through a shut valve, or an opening that the conductance is in proportion to, the test says so.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
import pytest
from scipy.optimize import brentq

from models.circuit import (
    AIR_C,
    BYPASS,
    DUTY,
    FAULT,
    FLUID,
    FULL_FLOW,
    HEAT_W,
    LEAK,
    METAL,
    PLAY_K,
    RPM,
    SINK_RISE_K,
    SPAN_S,
    SPEED_KM_H,
    STATES,
    VALVE_POWER,
    opening,
    run,
)
from models.cooler import FLUID_SIDE, case_at, conductance_w_k, pumped, ram
from models.hypotheses import AIR, FLOW, HEALTHY, LOW, OPEN, SHUT
from models.layout import record
from tests.models.banks import Floats
from tests.models.duties import circuit
from tests.printed import agrees, half_unit

CASE, COOLER = 30.0, 170.0
OUTSIDE_C, SINK_C = 30.0, 35.0
OPEN_C, FULL_C = 82.0, 96.0
KM_H, PUMP_RPM = 60.0, 1680.0
STEP_S = 0.5
"""Short enough for the stiff tie between the nodes."""

NONE = 1e-9
"""A cooler that carries nothing [W/K]."""

ONE_NODE = {"fluid_j_k": 47.5e3, "metal_j_k": 47.5e3, "fluid_metal_w_k": 40e3}


def reference(kind: int = BYPASS, *, at_c: float = 95.0, cooler: float = COOLER) -> Any:
    """Give the circuit; its open cooler has its conductance with the fluid at a temperature."""
    warm = FLUID_SIDE / pumped(PUMP_RPM, at_c) + (1.0 - FLUID_SIDE) / ram(KM_H)
    return record(circuit(kind, cooler_w_k=cooler * warm, case_w_k=CASE, **ONE_NODE))


def window(heat_w: float) -> Floats:
    duty = np.zeros(DUTY)
    warmer_k = SINK_C - SINK_RISE_K - OUTSIDE_C
    duty[SPAN_S], duty[SPEED_KM_H], duty[RPM] = STEP_S, KM_H, PUMP_RPM
    duty[AIR_C] = OUTSIDE_C + warmer_k
    duty[HEAT_W] = heat_w - CASE * warmer_k
    return duty


class Told(NamedTuple):
    """What a hypothesis says: which, and its number."""

    hypothesis: int = HEALTHY
    number: float = 0.0


SOUND = Told()


def course(
    params: Any, heat_w: float, start_c: float, seconds: float, told: Told = SOUND
) -> Floats:
    """Run on; give the fluid [°C] after each step."""
    x, valve = np.zeros(STATES), np.array([start_c, opening(start_c, OPEN_C, FULL_C)])
    x[FLUID] = x[METAL] = start_c
    x[FAULT] = told.number
    duty, found = window(heat_w), np.empty(round(seconds / STEP_S))
    for step in range(len(found)):
        run(params, told.hypothesis, duty, x, valve)
        found[step] = x[FLUID]
    return found


def after(found: Floats, minutes: float) -> float:
    return float(found[round(60.0 * minutes / STEP_S) - 1])


def settled(params: Any, heat_w: float, start_c: float, told: Told = SOUND) -> float:
    """Where it stands still, from a start near it."""
    return float(course(params, heat_w, start_c, 6 * 3600.0, told)[-1])


def test_the_case_of_the_reference_is_that_at_60_km_h() -> None:
    assert case_at(CASE, KM_H) == pytest.approx(CASE)


def test_warming_without_a_cooler() -> None:
    """Closed form: 40 °C, 3 kW, 1,800 s."""
    exact = 130.0 - 90.0 * math.exp(-1800.0 * CASE / 95e3)
    assert agrees(exact, "79.022283")
    found = course(reference(cooler=NONE), 3000.0, 40.0, 1800.0)[-1]
    assert found == pytest.approx(exact, abs=0.03)  # what is left of the second node


@pytest.mark.parametrize(
    ("heat_kw", "celsius"),
    [(1.5, "41.75"), (3, "49.25"), (6, "64.25"), (9, "79.25"), (12, "94.25"), (18, "124.25")],
)
@pytest.mark.parametrize("kind", [BYPASS, FULL_FLOW])
def test_all_fluid_through_the_cooler(heat_kw: float, celsius: str, kind: int) -> None:
    """A valve stuck to the cooler, and a circuit that has none."""
    expected_c = float(celsius)
    told = Told(OPEN) if kind == BYPASS else SOUND
    found = settled(reference(kind, at_c=expected_c), 1000.0 * heat_kw, expected_c, told)
    assert found == pytest.approx(expected_c, abs=half_unit(celsius) + 0.05)


@pytest.mark.parametrize(("heat_kw", "celsius"), [(1.5, "80.00"), (3, "130.00")])
def test_nothing_through_the_cooler(heat_kw: float, celsius: str) -> None:
    found = settled(reference(cooler=NONE), 1000.0 * heat_kw, float(celsius), Told(SHUT))
    assert found == pytest.approx(float(celsius), abs=0.05)


@pytest.mark.parametrize("heat_kw", [3.0, 6.0])
def test_a_valve_stuck_shut_leaks_by_its_share(heat_kw: float) -> None:
    """The reference has no leak; with the models' the balance at rest is solved by SciPy."""
    params = reference()

    def left_w(celsius: float) -> float:
        fluid = LEAK * pumped(PUMP_RPM, celsius)
        carried = conductance_w_k(params.cooler_w_k, fluid, ram(KM_H)) * (celsius - SINK_C)
        return 1000.0 * heat_kw - CASE * (celsius - OUTSIDE_C) - carried

    expected_c = float(brentq(left_w, 60.0, 300.0))
    assert expected_c < 30.0 + 1000.0 * heat_kw / CASE
    found = settled(params, 1000.0 * heat_kw, expected_c, Told(SHUT))
    assert found == pytest.approx(expected_c, abs=0.05)


@pytest.mark.parametrize(
    ("heat_kw", "celsius"), [(3.0, "84.29"), (6.0, "88.5294"), (9.0, "92.26"), (12.0, "95.63")]
)
def test_a_healthy_valve_holds_the_fluid(heat_kw: float, celsius: str) -> None:
    """The roots of the reference: 1000 Q = 30 (T - 30) + 170 (T - 35) (T - 82) / 14.

    There the conductance goes with the opening. Here the fluid's side goes with a power of it, so that the
    fluid stands some 2 K from there, where SciPy solves it; the valve's play may hold it open further.
    """
    expected_c = float(celsius)
    out_w = CASE * (expected_c - OUTSIDE_C)
    out_w += COOLER * opening(expected_c, OPEN_C, FULL_C) * (expected_c - SINK_C)
    assert out_w == pytest.approx(1000.0 * heat_kw, rel=2e-3)
    params = reference(at_c=expected_c)

    def left_w(celsius: float) -> float:
        way = opening(celsius, OPEN_C, FULL_C) ** VALVE_POWER
        fluid = max(LEAK, way) * pumped(PUMP_RPM, celsius)
        carried = conductance_w_k(params.cooler_w_k, fluid, ram(KM_H)) * (celsius - SINK_C)
        return 1000.0 * heat_kw - CASE * (celsius - OUTSIDE_C) - carried

    held_c = float(brentq(left_w, 60.0, 120.0))
    assert held_c == pytest.approx(expected_c, abs=2.0)
    from_below = course(params, 1000.0 * heat_kw, 78.0, 3 * 3600.0)[-3600:]
    assert from_below.max() <= held_c + 0.05
    assert from_below.min() >= max(OPEN_C, held_c) - PLAY_K


def test_a_healthy_valve_wide_open() -> None:
    found = settled(reference(at_c=124.25), 18_000.0, 124.25)
    assert found == pytest.approx(124.25, abs=0.06)


FOR_30_PERCENT = 1.0 / 0.3
STARVED = {
    "low": Told(LOW, math.log(0.3)),
    "air": Told(AIR, math.log((1.0 - FLUID_SIDE) / (FOR_30_PERCENT - FLUID_SIDE))),
    "flow": Told(FLOW, math.log(FLUID_SIDE / (FOR_30_PERCENT - (1.0 - FLUID_SIDE)))),
}


@pytest.mark.parametrize("of", STARVED)
@pytest.mark.parametrize(("heat_kw", "celsius"), [(6.0, "107.22"), (9.0, "144.26")])
def test_a_cooler_with_30_percent_left(of: str, heat_kw: float, celsius: str) -> None:
    """Whatever starved it: starved of air, of fluid, or of both, it has the same conductance left."""
    expected_c = float(celsius)
    found = settled(reference(at_c=expected_c), 1000.0 * heat_kw, expected_c, STARVED[of])
    assert found == pytest.approx(expected_c, abs=0.25)  # the flow's side goes with its warmth


CLIMB = [
    (6.0, [(5.8, 110.0), (10.9, 121.0), (18.2, 135.0), (27.2, 150.0)]),
    (12.0, [(2.3, 110.0), (4.1, 121.0), (6.6, 135.0), (9.3, 150.0)]),
]


@pytest.mark.parametrize(("heat_kw", "marks"), CLIMB)
def test_a_climb_with_nothing_through_the_cooler(
    heat_kw: float, marks: list[tuple[float, float]]
) -> None:
    """Minutes from 96 °C on, printed to 0.1 min."""
    found = course(reference(cooler=NONE), 1000.0 * heat_kw, 96.0, 1800.0, Told(SHUT))
    for minutes, celsius in marks:
        reached = float(np.argmax(found >= celsius) + 1) * STEP_S / 60.0
        assert reached == pytest.approx(minutes, abs=0.06)


@pytest.mark.parametrize(
    ("minutes", "celsius"), [(5, 75.37), (10, 89.34), (20, 113.62), (30, 133.71)]
)
def test_warming_at_6_kw_from_60_c(minutes: int, celsius: float) -> None:
    found = course(reference(cooler=NONE), 6000.0, 60.0, 1800.0, Told(SHUT))
    assert after(found, minutes) == pytest.approx(celsius, abs=0.05)


def test_until_a_valve_opens_nothing_tells_it_from_a_stuck_one() -> None:
    """The first seven minutes of the reference are the same for healthy, stuck and starved of air."""
    params = reference()
    healthy, stuck, starved = (
        course(params, 6000.0, 60.0, 1800.0, told)
        for told in (SOUND, Told(SHUT), STARVED["air"])
    )
    early = slice(0, round(7 * 60 / STEP_S))
    assert np.abs(healthy[early] - stuck[early]).max() < 0.3
    assert np.abs(healthy[early] - starved[early]).max() < 0.3
    assert healthy[-1] < starved[-1] - 5.0 < stuck[-1] - 15.0


COASTING = {
    "healthy": [110.0, 93.8, 84.2, 80.1, 74.3],
    "blocked": [110.0, 103.1, 94.1, 85.5, 78.2],
    "stuck": [110.0, 107.6, 104.3, 99.1, 90.0],
}
AT_MIN = (2, 5, 10, 20)


def test_a_coast_down_tells_by_its_decay() -> None:
    """0.5 kW from 110 °C. The reference's valve has neither lag nor play, and its shut valve no leak.

    While it is wide open, and with none at all, the figures must agree; below, the lag and the play let a
    healthy one fall further.
    """
    coast = {
        "healthy": course(reference(at_c=100.0), 500.0, 110.0, 1200.0),
        "blocked": course(reference(at_c=100.0), 500.0, 110.0, 1200.0, STARVED["low"]),
        "stuck": course(reference(cooler=NONE), 500.0, 110.0, 1200.0, Told(SHUT)),
    }
    assert after(coast["healthy"], 2) == pytest.approx(COASTING["healthy"][1], abs=0.3)
    assert after(coast["blocked"], 2) == pytest.approx(COASTING["blocked"][1], abs=0.3)
    for minutes, celsius in zip(AT_MIN, COASTING["stuck"][1:], strict=True):
        assert after(coast["stuck"], minutes) == pytest.approx(celsius, abs=0.1)
    for row, minutes in enumerate(AT_MIN, start=1):
        fluid = [after(coast[name], minutes) for name in ("healthy", "blocked", "stuck")]
        assert fluid == sorted(fluid)
        assert fluid[0] <= COASTING["healthy"][row] + 0.3
        assert fluid[1] <= COASTING["blocked"][row] + 0.3


@pytest.mark.parametrize(
    ("celsius", "share"), [(20.0, 0.0), (82.0, 0.0), (89.0, 0.5), (96.0, 1.0), (180.0, 1.0)]
)
def test_the_valve_opens_in_a_straight_line(celsius: float, share: float) -> None:
    assert opening(celsius, OPEN_C, FULL_C) == pytest.approx(share)
