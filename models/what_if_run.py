"""One run of a truck's model through its recorded duty, and what a course of temperatures costs."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from models.ageing import AgeingParams, mean_of_exponential, mean_rate
from models.circuit import (
    CONVERTER_W,
    EXTRA,
    FAULT,
    FLUID,
    HEAT_W,
    LOCKED_W,
    METAL,
    SITE,
    STATES,
    SUMP,
    CircuitParams,
    run,
)
from models.compiled import compiled
from models.heat_sums import KINETIC_ENERGY_OVER_R_K, KINETIC_REFERENCE_C
from models.hypotheses import AIR, FLOW, HEALTHY, LOW, OPEN, SHUT
from models.soak import decay_equivalent_s
from models.units import ZERO_CELSIUS_K

# A change, by place.
FULL = 0  # 1: without the bypass valve
CLEAN = 1  # 1: the cooler as this truck's healthy one
LOAD = 2  # factor on the torque [-]
CHANGE = 3

# What a course of temperatures comes to, by place.
HOTTEST_C = 0
SEEN_S = 1  # with readings no farther apart than what counts as seen [s]
EQUIVALENT_S = 2  # at the reference temperature, seen [s]
SOAKED_S = 3  # the same of parked spans without readings, estimated [s]
KINETIC_S = 4  # the same of the mean kinetic temperature, at its own reference [s]
PARKED_S = 5  # length of parked spans without readings [s]
UNSEEN_S = 6  # other spans without readings [s]
COLD_S = 7  # running below the last of the edges [s]
ABOVE_S = 8  # above each of the other edges [s]

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
def play(
    circuit: CircuitParams,
    own: Floats,
    change: Floats,
    windows: tuple[Times, Times, Floats, Floats, Floats],
    faults: tuple[Times, Floats],
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
    x = np.zeros(STATES)
    valve = np.zeros(2)
    for row in range(len(end_ms)):
        if not math.isnan(begin_c[row]):
            apart_k = 0.0
            if row > 0:
                gap_ms = float(start_ms[row] - end_ms[row - 1])
                apart_k = carried_over(course[row - 1] - as_is[row - 1], gap_ms, tau_s)
            x[:] = own
            valve[0] = begin_c[row] + apart_k
            valve[1] = 0.0
            x[FLUID] = x[METAL] = x[SITE] = valve[0]
            x[EXTRA] = 0.0
        duty = means[row].copy()
        load = change[LOAD]
        if load != 1.0:
            duty[HEAT_W] = idle_w[row] + load * max(0.0, duty[HEAT_W] - idle_w[row])
            duty[CONVERTER_W] *= load
            duty[LOCKED_W] *= load
        hypothesis = _healed(int(hypotheses[row]), change)
        x[FAULT] = numbers[row]
        run(circuit, hypothesis, duty, x, valve)
        course[row] = x[FLUID] if circuit.site == SUMP else x[SITE]


@compiled
def difference(
    start_ms: Times,
    end_ms: Times,
    apart_k: Floats,
    tau_s: float,
    read_ms: Times,
    found_k: Floats,
) -> None:
    """Give the difference between two courses at the times of the readings.

    Straight within a window; where the model had to pause, a difference dies away as the truck cools.

    Parameters
    ----------
    start_ms, end_ms
        Windows [Unix ms], shape (m,).
    apart_k
        The difference at their ends [K].
    tau_s
        How fast a parked truck cools [s].
    read_ms
        Times of the readings [Unix ms], shape (n,).
    found_k
        Written: the difference then [K], shape (n,).
    """
    done = 0  # windows that have ended
    for row in range(len(read_ms)):
        now_ms = read_ms[row]
        while done < len(end_ms) and end_ms[done] <= now_ms:
            done += 1
        last_k = apart_k[done - 1] if done > 0 else 0.0
        last_ms = end_ms[done - 1] if done > 0 else now_ms
        if done < len(end_ms) and start_ms[done] < now_ms:
            first_k = (
                carried_over(last_k, float(start_ms[done] - last_ms), tau_s)
                if done > 0
                else 0.0
            )
            share = (now_ms - start_ms[done]) / (end_ms[done] - start_ms[done])
            found_k[row] = first_k + share * (apart_k[done] - first_k)
        else:
            found_k[row] = carried_over(last_k, float(now_ms - last_ms), tau_s)


@compiled
def _kinetic(celsius: float) -> float:
    inverse = 1.0 / (KINETIC_REFERENCE_C + ZERO_CELSIUS_K) - 1.0 / (celsius + ZERO_CELSIUS_K)
    return KINETIC_ENERGY_OVER_R_K * inverse


@compiled
def share_above(from_c: float, to_c: float, edge_c: float) -> float:
    """Share of a span above a temperature [-] while 1/T runs straight from one [°C] to the other."""
    low_c, high_c = min(from_c, to_c), max(from_c, to_c)
    if low_c >= edge_c:
        return 1.0
    if high_c <= edge_c:
        return 0.0
    part = (high_c - edge_c) / (edge_c + ZERO_CELSIUS_K)
    return part * (low_c + ZERO_CELSIUS_K) / (high_c - low_c)


@compiled
def cost(
    ageing: AgeingParams,
    readings: tuple[Times, Floats, Floats, NDArray[np.bool_], NDArray[np.bool_]],
    apart_k: Floats,
    edges_c: Floats,
    spans_s: tuple[float, float],
    sums: Floats,
) -> None:
    """Cost the readings moved by a difference; between two of them as the account does.

    Parameters
    ----------
    ageing
        The fluid's law.
    readings
        Times [Unix ms], the fluid and the air [°C], whether the engine ran, whether parked till the next.
    apart_k
        The difference [K], shape (n,).
    edges_c
        Temperatures whose excess is timed; below the last a running truck's fluid is cold [°C].
    spans_s
        Longest span between readings that counts as seen, and how fast a parked truck cools [s].
    sums
        Written, shape (ABOVE_S + len(edges_c) - 1,).
    """
    read_ms, read_c, air_c, running, parked = readings
    longest_s, tau_s = spans_s
    sums[:] = 0.0
    sums[HOTTEST_C] = math.nan
    for row in range(len(read_ms)):
        here_c = read_c[row] + apart_k[row]
        if not here_c <= sums[HOTTEST_C]:
            sums[HOTTEST_C] = here_c
        if row + 1 == len(read_ms):
            break
        span_s = (read_ms[row + 1] - read_ms[row]) / 1000.0
        there_c = read_c[row + 1] + apart_k[row + 1]
        if span_s <= longest_s:
            sums[SEEN_S] += span_s
            sums[EQUIVALENT_S] += span_s * mean_rate(ageing, here_c, there_c)
            kinetic = mean_of_exponential(_kinetic(here_c), _kinetic(there_c))
            sums[KINETIC_S] += span_s * kinetic
            for edge in range(len(edges_c) - 1):
                sums[ABOVE_S + edge] += span_s * share_above(here_c, there_c, edges_c[edge])
            if running[row + 1]:
                warm = share_above(here_c, there_c, edges_c[len(edges_c) - 1])
                sums[COLD_S] += span_s * (1.0 - warm)
        elif parked[row]:
            sums[PARKED_S] += span_s
            air = (
                min(air_c[row], read_c[row + 1])
                if not math.isnan(air_c[row])
                else read_c[row + 1]
            )
            sums[SOAKED_S] += decay_equivalent_s(ageing, here_c, air, tau_s, span_s)
        else:
            sums[UNSEEN_S] += span_s
