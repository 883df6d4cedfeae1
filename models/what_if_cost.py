"""What a course of the fluid's temperature comes to: time at temperature, and what it cost the fluid."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from models.ageing import AgeingParams, mean_of_exponential, mean_rate
from models.compiled import compiled
from models.heat_sums import KINETIC_ENERGY_OVER_R_K, KINETIC_REFERENCE_C
from models.soak import decay_equivalent_s
from models.units import ZERO_CELSIUS_K
from models.what_if_run import carried_over

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
