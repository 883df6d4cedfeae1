"""Duties written by hand, and a truck for them: the reference problem of a lumped heat balance."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.ageing import AgeingParams
from models.circuit import (
    AIR_C,
    BYPASS,
    COOLANT_C,
    DUTY,
    HEAT_W,
    LN_CASE,
    LN_COOLER,
    LN_HEAT,
    RPM,
    SHIFT,
    SPAN_S,
    SPEED_KM_H,
    STATES,
    CircuitParams,
)
from models.duty import Duty, Floats
from models.fleet import CHART
from models.layout import blank, dtype_of, record
from models.what_if import Own, Terms
from models.what_if_figures import Change
from models.what_if_run import CHANGE, CLEAN, FULL, LOAD, play
from tests.recorded import NOON_MS

AIR = 30.0
RPM_WARM = 1680.0
"""At which the pump's flow is, warm, the usual one."""


def circuit(kind: int = BYPASS, **numbers: float) -> NDArray[Any]:
    """Give the circuit of the reference problem: 95 kJ/K, 30 W/K through the case, 170 W/K by the cooler."""
    made = blank(dtype_of(CircuitParams))
    values = {
        "kind": kind,
        "fluid_j_k": 40e3,
        "metal_j_k": 55e3,
        "fluid_metal_w_k": 330.0,
        "case_w_k": 30.0,
        "cooler_w_k": 170.0,
        "flow_w_k": 350.0,
        "open_c": 82.0,
        "full_c": 96.0,
        **numbers,
    }
    for name, value in values.items():
        made[name] = value
    return made


def duty(
    heat_w: Sequence[float],
    *,
    start_c: float = 60.0,
    span_s: float = 10.0,
    speed_km_h: float = 60.0,
    rpm: float = RPM_WARM,
    air_c: float = AIR,
    coolant_c: float = 90.0,
    idle_w: float = 0.0,
    read_c: Floats | None = None,
) -> Duty:
    """Drive without a break; the fluid is read at the beginning and at the end of each window."""
    count = len(heat_w)
    edges_ms = NOON_MS + np.arange(count + 1) * round(1000.0 * span_s)
    means = np.zeros((count, DUTY))
    for place, value in (
        (SPAN_S, span_s),
        (SPEED_KM_H, speed_km_h),
        (RPM, rpm),
        (AIR_C, air_c),
        (COOLANT_C, coolant_c),
    ):
        means[:, place] = value
    means[:, HEAT_W] = heat_w
    begin_c = np.full(count, np.nan)
    begin_c[0] = start_c
    return Duty(
        start_ms=edges_ms[:-1].copy(),
        end_ms=edges_ms[1:].copy(),
        means=means,
        idle_w=np.full(count, idle_w),
        begin_c=begin_c,
        read_ms=edges_ms.copy(),
        read_c=np.full(count + 1, start_c) if read_c is None else read_c,
        air_c=np.full(count + 1, air_c),
        running=np.full(count + 1, rpm >= 1.0),
        parked=np.zeros(count + 1, np.bool_),
        load_told=True,
    )


def course(
    driven: Duty, fitted: NDArray[Any], change: Change | None = None, *, hypothesis: int = 0
) -> Floats:
    """Run the model alone; give the fluid [°C] at the end of each window."""
    count = len(driven.end_ms)
    found = np.zeros(count)
    numbers = np.zeros(CHANGE)
    numbers[LOAD] = 1.0
    if change is not None:
        numbers[[FULL, CLEAN, LOAD]] = change.full_flow, change.cleaned, change.load
    play(
        record(fitted),
        np.zeros(STATES),
        numbers,
        (driven.start_ms, driven.end_ms, driven.means, driven.idle_w, driven.begin_c),
        (np.full(count, hypothesis), np.zeros(count)),
        np.zeros(count),
        found,
        10_000.0,
        found,
    )
    return found


def own(driven: Duty, fitted: NDArray[Any], *, sure: bool = False, hypothesis: int = 0) -> Own:
    """Give a truck as its class has it, known as well as one that has driven for some hours."""
    spread = np.zeros((STATES, STATES))
    if not sure:
        for place, sd in ((LN_HEAT, 0.1), (LN_CASE, 0.2), (LN_COOLER, 0.1), (SHIFT, 1.5)):
            spread[place, place] = sd * sd
    count = len(driven.end_ms)
    return Own(
        circuit=fitted,
        values=np.zeros(STATES),
        spread=spread,
        hypotheses=np.full(count, hypothesis),
        numbers=np.zeros(count),
    )


def terms(**changes: Any) -> Terms:
    """Judge by the trade's chart, with 121 °C for the limit."""
    ageing = blank(dtype_of(AgeingParams))
    ageing["activation_energy_j_mol"] = CHART.activation_energy_j_mol
    ageing["reference_c"] = CHART.reference_temp_c
    values: dict[str, Any] = {
        "ageing": ageing,
        "exponent_sd": 0.1,
        "life_s": CHART.reference_life_s,
        "limit_c": 121.0,
        "edges_c": (107.0, 121.0),
        "max_gap_s": 300.0,
        "soak_s": 6_000.0,
        **changes,
    }
    return Terms(**values)
