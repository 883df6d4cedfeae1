"""The converter's heat on its way to the fluid: late, and past the cooler first."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import cont2discrete

from models.circuit import (
    CONVERTER_W,
    DUTY,
    FLUID,
    HEAT_W,
    METAL,
    RPM,
    SPAN_S,
    STATES,
    made_w,
    run,
)
from models.converter import CONVERTER_LAG_S, CONVERTER_SHARE, MOST_TAKEN, arriving
from models.cooler import AFTER_TANK, BY_TANK, pumped
from models.fleet import Vehicle
from models.hypotheses import HEALTHY, OPEN, SHUT
from models.layout import blank, dtype_of, record
from models.view import View
from models.window import Window, add, begin, clear
from tests.models.banks import Floats, driving, params_of

KW = 1000.0
WARM_C = 95.0
RPM_USUAL = 1700.0


def arrives(made_kw: list[float], span_s: float = 30.0, fluid_c: float = WARM_C) -> Floats:
    """Give the converter's heat that comes from it in spans in which so much was made [kW]."""
    now_w, found = 0.0, []
    for each in made_kw:
        mean_w, now_w = arriving(each * KW, now_w, span_s, RPM_USUAL, fluid_c)
        found.append(mean_w / KW)
    return np.array(found)


@pytest.mark.parametrize("span_s", [10.0, 30.0, 60.0])
@pytest.mark.parametrize("fluid_c", [-10.0, 40.0, WARM_C])
def test_it_arrives_as_through_a_node_of_first_order(span_s: float, fluid_c: float) -> None:
    """Against scipy's exact steps of two integrators: the node, and what came out of it."""
    lag_s = CONVERTER_LAG_S / pumped(RPM_USUAL, fluid_c)
    a = np.array([[-1.0 / lag_s, 0.0], [1.0, 0.0]])
    b = np.array([[1.0 / lag_s], [0.0]])
    step, gain, *_ = cont2discrete((a, b, np.eye(2), np.zeros((2, 1))), span_s)
    made = [8.0, 8.0, 0.0, 3.0, 0.0, 0.0]
    state, wanted = np.zeros(2), []
    for each in made:
        state[1] = 0.0
        state = step @ state + gain[:, 0] * each
        wanted.append(state[1] / span_s)
    assert arrives(made, span_s, fluid_c) == pytest.approx(np.array(wanted), rel=1e-9)


@given(made=st.lists(st.floats(0.0, 40.0), min_size=1, max_size=20))
def test_none_of_it_is_lost_or_made_on_the_way(made: list[float]) -> None:
    found = arrives([*made, *[0.0] * 60])
    assert found.sum() == pytest.approx(sum(made), rel=1e-6, abs=1e-6)
    assert (found >= 0.0).all()


def moved(kind: str, hypothesis: int, converter_kw: float, **more: Any) -> float:
    """Give what a minute does to fluid and metal [J], with 9 kW made, so much of it in the converter."""
    params = params_of(Vehicle(name="NF-01", circuit=kind, **more)).bank.circuit  # type: ignore[arg-type] # from a table
    x, duty = np.zeros(STATES), driving(span_s=15.0)
    x[FLUID] = x[METAL] = 100.0
    duty[CONVERTER_W] = converter_kw * KW
    # As much heat is to be made in all, wherever.
    duty[HEAT_W] = (9.0 - CONVERTER_SHARE * converter_kw) * KW + duty[CONVERTER_W]
    assert made_w(duty, x)[0] == pytest.approx(9.0 * KW)
    run(params, hypothesis, duty, x, np.array([100.0, 1.0]))
    fluid_j = params.fluid_j_k * (x[FLUID] - 100.0)
    return float(fluid_j + params.metal_j_k * (x[METAL] - 100.0))


@pytest.mark.parametrize(
    ("kind", "more"),
    [
        ("thermostatic_bypass", {}),
        ("full_flow", {}),
        ("coolant_exchanger", {}),
        ("radiator_tank", {}),
        ("radiator_tank", {"air_cooler": True}),
    ],
)
def test_the_cooler_takes_its_share_before_the_sump_sees_it(kind: str, more: Any) -> None:
    gears, converter = (moved(kind, HEALTHY, each, **more) for each in (0.0, 6.0))
    taken = (gears - converter) / (15.0 * 6.0 * KW * CONVERTER_SHARE)
    assert 0.1 < taken <= MOST_TAKEN + 1e-9


def test_a_shut_valve_leaves_it_all_to_the_sump() -> None:
    gears, converter = (moved("thermostatic_bypass", SHUT, each) for each in (0.0, 6.0))
    all_of_it = 15.0 * 6.0 * KW * CONVERTER_SHARE
    assert (gears - converter) / all_of_it < 0.05
    with_flow = moved("thermostatic_bypass", OPEN, 6.0)
    assert with_flow < converter - 0.1 * all_of_it


def test_tank_and_air_cooler_are_what_the_class_has_and_no_more() -> None:
    assert 1.0 <= BY_TANK + AFTER_TANK <= 1.2


def _view(heat_w: float, rpm: float) -> Any:
    view = record(blank(dtype_of(View)))
    view.dt_s, view.heat_w, view.rpm = 30.0, heat_w, rpm
    view.torque_nm = view.speed_km_h = 0.0
    view.air_c = view.coolant_c = 20.0
    view.fluid_c = WARM_C
    return view


def test_a_span_between_samples_is_half_of_each() -> None:
    """As the trapezoidal rule has it: a slow gateway's heat is not thought to be made half a span early."""
    window = record(blank(dtype_of(Window)))
    clear(window)
    heats = [4e3, 10e3, 1e3, 7e3]
    begin(window, _view(heats[0], 1000.0), True)
    for heat_w in heats[1:]:
        add(window, _view(heat_w, 1000.0), True)
    times = 30.0 * np.arange(len(heats))
    assert window.duty[HEAT_W] == pytest.approx(np.trapezoid(heats, times))
    assert window.duty[SPAN_S] == pytest.approx(times[-1])
    assert window.duty[RPM] == pytest.approx(1000.0 * times[-1])
    assert len(window.duty) == DUTY
    assert math.isfinite(window.duty.sum())
