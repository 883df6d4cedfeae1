"""The filter of one hypothesis: temperatures, this truck's own values, and the fault's own number.

It foretells a window with ``models.circuit``, the derivatives by divided differences as wide as what is
unknown, so that a valve's kink is averaged and not missed (divided-difference filter; Norgaard, Poulsen and
Ravn 2000, from memory), and learns from readings. ``x`` is its state, shape (``STATES``,), ``cov`` the
covariance, shape (``STATES``, ``STATES``); both are changed in place.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from models import priors
from models.circuit import (
    CONVERTER_OUT,
    EXTRA,
    FAULT,
    FLUID,
    LEAK,
    LINE_FOLLOWS_PER_S,
    LN_CASE,
    LN_CONVERTER,
    LN_COOLER,
    LN_HEAT,
    LN_UNITS,
    METAL,
    SHIFT,
    SINK,
    SITE,
    SPAN_S,
    STATES,
    SUMP,
    CircuitParams,
    run,
)
from models.compiled import compiled
from models.hypotheses import SHUT
from models.rows import copy_row, copy_square

FREEDOM = 4.0
"""Degrees of freedom of the residuals' t distribution [-]: rare wild windows decide nothing."""

NO_PLACE = -1
"""In the place of one in the state: none of them."""

BOUND_SD = 3.0
"""Most that one reading may pull the estimate [standard deviations]."""

SLOW = 0.3
"""Share of what a reading says of the truck's own values that is believed [-]: neighbouring windows share
what two nodes get wrong. Doubled, they are soon thought known better than they are."""

SITE_LAG_S = 45.0
"""Time over which an error of the heat reaches a sensor beyond the converter [s]; own choice."""


@compiled
def has_number(hypothesis: int) -> bool:
    """Say whether the hypothesis has a number of its own."""
    return bool(priors.FAULTS[hypothesis, priors.FAULT_SD] > 0.0)


@compiled
def predict(
    params: CircuitParams,
    hypothesis: int,
    line: bool,
    duty: NDArray[np.float64],
    heat_sd_kw: float,
    lasting_sd_kw: float,
    scale: float,
    x: NDArray[np.float64],
    cov: NDArray[np.float64],
    valve: NDArray[np.float64],
) -> None:
    """Foretell a window.

    Parameters
    ----------
    params, hypothesis
        The circuit, and what it is taken to be.
    line
        Whether the place of the sensor, or the line to the cooler, is followed too.
    duty
        Means over the window, shape (``DUTY``,).
    heat_sd_kw
        Standard deviation of the heat made in this window [kW].
    lasting_sd_kw
        The same of late [kW]: what may last.
    scale
        Standard deviation of what two nodes get wrong as a share of what is usual [-].
    x, cov, valve
        State, covariance, and element [°C] and opening [-] of the valve, shape (2,); changed.
    """
    slope = np.zeros((3, STATES))
    trial = np.empty(STATES)
    held = np.empty(2)
    for place in range(STATES):
        if not _active(params, line, hypothesis, place):
            continue
        step = max(1e-3, math.sqrt(cov[place, place]))
        for sign in (1.0, -1.0):
            copy_row(trial, x)
            trial[place] += sign * step
            copy_row(held, valve)
            if place == FLUID:
                held[0] += sign * step
            elif place == SHIFT and 0.0 < valve[1] < 1.0:
                held[1] -= sign * step / (params.full_c - params.open_c)
            run(params, hypothesis, duty, trial, held)
            weight = sign / (2.0 * step)
            slope[0, place] += weight * trial[FLUID]
            slope[1, place] += weight * trial[METAL]
            slope[2, place] += weight * trial[SITE]
    run(params, hypothesis, duty, x, valve)
    decay = math.exp(-duty[SPAN_S] / priors.EXTRA_TAU_S)
    x[EXTRA] *= decay
    _spread(slope, decay, cov)
    _disturb(params, hypothesis, duty[SPAN_S], heat_sd_kw, lasting_sd_kw, scale, x, cov)
    _blur_between(params, duty, scale, x, cov)


@compiled
def _active(params: CircuitParams, line: bool, hypothesis: int, place: int) -> bool:
    """Say whether a place in the state means anything here."""
    if place == FAULT:
        return has_number(hypothesis)
    if place == LN_UNITS:
        return False
    return place < SITE or place == LN_CONVERTER or params.site != SUMP or line


@compiled
def _spread(slope: NDArray[np.float64], decay: float, cov: NDArray[np.float64]) -> None:
    """Carry the covariance through: three rows are mixed, the extra heat decays, the others stay."""
    half = cov.copy()
    for column in range(STATES):
        half[EXTRA, column] *= decay
    for which, row in ((0, FLUID), (1, METAL), (2, SITE)):
        for column in range(STATES):
            total = 0.0
            for place in range(STATES):
                total += slope[which, place] * cov[place, column]
            half[row, column] = total
    copy_square(cov, half)
    for row in range(STATES):
        cov[row, EXTRA] *= decay
    for which, column in ((0, FLUID), (1, METAL), (2, SITE)):
        for row in range(STATES):
            total = 0.0
            for place in range(STATES):
                total += slope[which, place] * half[row, place]
            cov[row, column] = total


@compiled
def _disturb(
    params: CircuitParams,
    hypothesis: int,
    span_s: float,
    heat_sd_kw: float,
    lasting_sd_kw: float,
    scale: float,
    x: NDArray[np.float64],
    cov: NDArray[np.float64],
) -> None:
    """Add what the window made less sure."""
    hours, minutes = span_s / 3600.0, span_s / 60.0
    for place in range(STATES):
        cov[place, place] += priors.WANDER[place] ** 2 * hours
    cov[FAULT, FAULT] += priors.FAULTS[hypothesis, priors.FAULT_WANDER] ** 2 * hours
    heat_var = lasting_sd_kw * lasting_sd_kw
    cov[EXTRA, EXTRA] += (1.0 - math.exp(-2.0 * span_s / priors.EXTRA_TAU_S)) * heat_var
    blur_k = priors.HEAT_BLUR * 1000.0 * heat_sd_kw * span_s / params.fluid_j_k
    rise_k = 1000.0 * heat_sd_kw / params.flow_w_k * (1.0 - math.exp(-span_s / SITE_LAG_S))
    cov[FLUID, FLUID] += (scale * priors.FLUID_SD_K) ** 2 * minutes + blur_k * blur_k
    cov[METAL, METAL] += (scale * priors.FLUID_SD_K) ** 2 * minutes
    cov[SITE, SITE] += (scale * priors.SITE_SD_K) ** 2 * minutes + rise_k * rise_k
    if hypothesis == SHUT and params.site != CONVERTER_OUT:
        leak_k = LEAK * LINE_FOLLOWS_PER_S * span_s * (x[FLUID] - x[SITE])
        cov[SITE, SITE] += leak_k * leak_k


@compiled
def _blur_between(
    params: CircuitParams,
    duty: NDArray[np.float64],
    scale: float,
    x: NDArray[np.float64],
    cov: NDArray[np.float64],
) -> None:
    """Add what is not known of the heat between fluid and metal: what the one got the other lost."""
    off_w = scale * priors.BETWEEN_SHARE * params.fluid_metal_w_k * (x[FLUID] - x[METAL])
    fluid_k = off_w * duty[SPAN_S] / params.fluid_j_k
    metal_k = -off_w * duty[SPAN_S] / params.metal_j_k
    cov[FLUID, FLUID] += fluid_k * fluid_k
    cov[METAL, METAL] += metal_k * metal_k
    cov[FLUID, METAL] += fluid_k * metal_k
    cov[METAL, FLUID] += fluid_k * metal_k


@compiled
def _own(place: int) -> bool:
    """Say whether a place is a value of the truck's own that is not learned under suspicion."""
    return place in (LN_HEAT, LN_CASE, LN_COOLER, SINK, LN_CONVERTER, LN_UNITS)


@compiled
def update(
    hypothesis: int,
    place: int,
    reading_c: float,
    noise_var: float,
    learns: bool,
    alone: bool,
    x: NDArray[np.float64],
    cov: NDArray[np.float64],
) -> float:
    """Learn from a reading.

    Parameters
    ----------
    hypothesis
        Whose filter it is.
    place, reading_c, noise_var
        What is read, ``FLUID`` or ``SITE``; the reading [°C]; variance of its error [K²].
    learns
        False: the truck's own values are considered and not changed (Schmidt's consider filter, from memory).
        What is learned under suspicion would be the fault.
    alone
        True: the reading moves the place that is read and nothing else.
    x, cov
        State and covariance; changed.

    Returns
    -------
    float
        Log likelihood of the reading [-], by a t distribution.
    """
    gain = cov[:, place].copy()
    variance = gain[place] + noise_var
    off_k = reading_c - x[place]
    only = place if alone else NO_PLACE
    _learn(hypothesis, gain, variance, off_k, learns, only, x, cov)
    return _misfit(off_k, variance) - 0.5 * math.log(variance)


@compiled
def update_along(
    hypothesis: int,
    slope: NDArray[np.float64],
    off_k: float,
    noise_var: float,
    learns: bool,
    x: NDArray[np.float64],
    cov: NDArray[np.float64],
) -> float:
    """Learn from a reading of something that goes with several places, by its ``slope``, shape (``STATES``,).

    ``off_k``: the reading less what was foretold of it [K]; all else as for ``update``. Given back is the
    misfit alone [-], the log likelihood without what the filter's own width adds to it: of such readings the
    filters differ in width by little and for hours on end, and on a steady road that alone would convict.
    """
    gain = np.zeros(STATES)
    variance = noise_var
    for row in range(STATES):
        for place in range(STATES):
            gain[row] += cov[row, place] * slope[place]
        variance += slope[row] * gain[row]
    _learn(hypothesis, gain, variance, off_k, learns, NO_PLACE, x, cov)
    return _misfit(off_k, variance)


@compiled
def _learn(
    hypothesis: int,
    gain: NDArray[np.float64],
    variance: float,
    off_k: float,
    learns: bool,
    only: int,
    x: NDArray[np.float64],
    cov: NDArray[np.float64],
) -> None:
    """Move state and covariance by a reading; ``only``: the one place that it moves, or ``NO_PLACE``."""
    sd_k = math.sqrt(variance)
    pull_k = max(-BOUND_SD * sd_k, min(BOUND_SD * sd_k, off_k))
    for row in range(STATES):
        own = _own(row)
        for column in range(STATES):
            share = 1.0
            if only != NO_PLACE and only not in (row, column):
                share = 0.0
            elif own and _own(column):
                share = SLOW if learns else 0.0
            cov[row, column] -= share * gain[row] * gain[column] / variance
        share = (SLOW if learns else 0.0) if own else 1.0
        if only not in (NO_PLACE, row):
            share = 0.0
        x[row] += share * gain[row] / variance * pull_k
    _hold(hypothesis, x, cov)


@compiled
def _misfit(off_k: float, variance: float) -> float:
    """What being so far off adds to a log likelihood [-], by a t distribution."""
    return -0.5 * (FREEDOM + 1.0) * math.log(1.0 + off_k * off_k / (FREEDOM * variance))


@compiled
def _hold(hypothesis: int, x: NDArray[np.float64], cov: NDArray[np.float64]) -> None:
    """Keep what is learned within what a truck can be, and never quite sure."""
    for place in range(LN_HEAT, STATES):
        if priors.MOST[place] > 0.0:
            x[place] = max(priors.LEAST[place], min(priors.MOST[place], x[place]))
        cov[place, place] = max(cov[place, place], priors.FLOOR_SD[place] ** 2)
    if has_number(hypothesis):
        least, most = (
            priors.FAULTS[hypothesis, priors.FAULT_LEAST],
            priors.FAULTS[hypothesis, priors.FAULT_MOST],
        )
        x[FAULT] = max(least, min(most, x[FAULT]))
