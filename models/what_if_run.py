"""One run of a truck's model through its recorded duty, and the heat that its signals do not tell."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from models.circuit import (
    CONVERTER_W,
    EXTRA,
    FAULT,
    FLUID,
    HEAT_W,
    LOCKED_W,
    METAL,
    SITE,
    SPAN_S,
    STATES,
    SUMP,
    CircuitParams,
    made_w,
    read_at,
    run,
)
from models.compiled import compiled
from models.hypotheses import AIR, FLOW, HEALTHY, LOW, OPEN, SHUT

FOLLOW_S = 300.0
"""How fast the unexplained heat follows what was measured [s]. Own choice, between the minute in which a
sensor's rounding would pass for heat and the half hour that a climb lasts; doubled, the model is off by some
kelvin more in the first minutes of one."""

MOST_EXTRA_KW = 30.0
"""Most heat that is believed without a signal of it [kW]: a gearbox at full load with an open converter."""

# A change, by place.
FULL = 0  # 1: without the bypass valve
CLEAN = 1  # 1: the cooler as this truck's healthy one
LOAD = 2  # factor on the torque [-]
CHANGE = 3

Floats = NDArray[np.float64]
Times = NDArray[np.int64]


@compiled
def _healed(hypothesis: int, change: Floats) -> int:
    """What is left of a fault after a change."""
    if change[CLEAN] > 0.0 and hypothesis in (LOW, AIR, FLOW):
        return HEALTHY
    if change[FULL] > 0.0 and hypothesis in (SHUT, OPEN):
        return HEALTHY
    return hypothesis


@compiled
def carried_over(apart_k: float, gap_ms: float, tau_s: float) -> float:
    """What is left of a difference in temperature [K] after a gap [ms] of cooling at ``tau_s`` [s]."""
    return apart_k * math.exp(-gap_ms / 1000.0 / tau_s)


@compiled
def _begin(own: Floats, celsius: float, x: Floats, valve: Floats) -> None:
    """Begin a stretch with all at one temperature [°C]."""
    x[:] = own
    x[FLUID] = x[METAL] = x[SITE] = celsius
    x[EXTRA] = 0.0
    valve[0], valve[1] = celsius, 0.0


@compiled
def _no_less_than_none(own: Floats, duty: Floats, extra_kw: float) -> float:
    """Bound heat that is lacking [kW]: a gearbox does not cool."""
    made_kw: float = made_w(duty, own)[0] / 1000.0 - own[EXTRA]
    return max(extra_kw, -made_kw)


@compiled
def follow(
    circuit: CircuitParams,
    own: Floats,
    windows: tuple[Times, Times, Floats, Floats, Floats],
    faults: tuple[Times, Floats],
    measured_c: Floats,
    extra_kw: Floats,
) -> None:
    """Find the heat that the signals do not tell: what keeps the model by what was measured.

    A trailer's wind, a converter unlike its class's: without it the model might see a valve half open that
    was wide open, and say that a bigger cooler changes nothing. An observer of second order, critically
    damped.

    Parameters
    ----------
    circuit, own, windows, faults
        As for ``play``.
    measured_c
        What the fluid read at the end of each window [°C], shape (m,).
    extra_kw
        Written: that heat in each window [kW], shape (m,).
    """
    _, end_ms, means, _, begin_c = windows
    hypotheses, numbers = faults
    capacity_j_k = circuit.fluid_j_k + circuit.metal_j_k
    x, valve = np.zeros(STATES), np.zeros(2)
    for row in range(len(end_ms)):
        if not math.isnan(begin_c[row]):
            _begin(own, begin_c[row], x, valve)
        x[EXTRA] = _no_less_than_none(own, means[row], x[EXTRA])
        extra_kw[row] = x[EXTRA]
        x[FAULT] = numbers[row]
        run(circuit, int(hypotheses[row]), means[row], x, valve)
        place = read_at(circuit)
        off_k = measured_c[row] - x[place]
        share = min(0.5, means[row, SPAN_S] / FOLLOW_S)
        x[FLUID] += 2.0 * share * off_k
        x[METAL] += share * off_k
        if place == SITE:
            x[SITE] += 2.0 * share * off_k
        more_kw = share * off_k * capacity_j_k / FOLLOW_S / 1000.0
        x[EXTRA] = max(-MOST_EXTRA_KW, min(MOST_EXTRA_KW, x[EXTRA] + more_kw))


@compiled
def play(
    circuit: CircuitParams,
    own: Floats,
    change: Floats,
    windows: tuple[Times, Times, Floats, Floats, Floats],
    faults: tuple[Times, Floats],
    extra_kw: Floats,
    as_is: Floats,
    tau_s: float,
    course: Floats,
) -> None:
    """Run the model through the duty.

    Parameters
    ----------
    circuit
        Of the truck, as changed.
    own
        What is known of this truck, by place in the state of ``models.circuit``, shape (STATES,).
    change
        Shape (CHANGE,).
    windows
        Beginnings and ends [Unix ms], means, heat without torque [W], beginnings of stretches [°C], as
        ``models.duty.Duty`` has them.
    faults
        In each window the hypothesis that held, and its number.
    extra_kw
        Heat that the signals do not tell, shape (m,).
    as_is
        The course without the change [°C], shape (m,): from it a stretch takes up the difference that was
        left by the one before. The run without a change is given its own course.
    tau_s
        How fast a parked truck cools [s].
    course
        Written: what the truck's sensor would read at the end of each window [°C], shape (m,).
    """
    start_ms, end_ms, means, idle_w, begin_c = windows
    hypotheses, numbers = faults
    load = change[LOAD]
    x, valve = np.zeros(STATES), np.zeros(2)
    for row in range(len(end_ms)):
        if not math.isnan(begin_c[row]):
            apart_k = 0.0
            if row > 0:
                gap_ms = float(start_ms[row] - end_ms[row - 1])
                apart_k = carried_over(course[row - 1] - as_is[row - 1], gap_ms, tau_s)
            _begin(own, begin_c[row] + apart_k, x, valve)
        duty = means[row].copy()
        x[EXTRA] = extra_kw[row]
        if load != 1.0:
            duty[HEAT_W] = idle_w[row] + load * max(0.0, duty[HEAT_W] - idle_w[row])
            duty[CONVERTER_W] *= load
            duty[LOCKED_W] *= load
            # Heat that nothing tells is most likely the load's; a lack of it stays.
            x[EXTRA] *= load if x[EXTRA] > 0.0 else 1.0
            x[EXTRA] = _no_less_than_none(own, duty, x[EXTRA])
        x[FAULT] = numbers[row]
        run(circuit, _healed(int(hypotheses[row]), change), duty, x, valve)
        course[row] = x[FLUID] if circuit.site == SUMP else x[SITE]
