"""What a reading of the line back from the cooler teaches, and what it may say.

A return sensor that is wrong looks like a cooler that is. So it is judged only where much depends on the
cooler; one that cannot be, or does not move, is its sensor's; and by itself it adds so much to the odds of a
fault and no more, until after a night, when both lines are as cold as the air, it has agreed with the other.
"""

from __future__ import annotations

import math
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from models import priors
from models.circuit import (
    COOLANT,
    FAULT,
    LN_UNITS,
    SINK,
    SPAN_S,
    SPEED_KM_H,
    STATES,
    TANK_AND_AIR,
    CircuitParams,
    doubted,
)
from models.compiled import compiled
from models.cooler_return import comes_back_c, cooled_by_c, flow_share
from models.hypotheses import COUNT, HEALTHY
from models.hypothesis_filter import update_along
from models.layout import Layout
from models.window import LONG_STOP_S

MOST_SAID = 5.0
"""Most that the line back by itself may add to the log odds of a fault [-]; own choice. What it says against
one is not limited."""

NIGHT_ADDS = 25.0
"""How much more it may once it has agreed with the line to the cooler after a night, while it said so [-];
own choice."""

TEACHES_UP_TO = 2.0
"""Log odds of a fault by the line back up to which it teaches what is usual of this truck [-]; own choice.
What is learned beyond would be the fault."""

AGREES_K = 4.0
"""How far both lines may then be apart [K]; own choice."""

LEAST_KM_H = 40.0
"""Speed from which a cooler in the air is judged so [km/h]; own choice: slower, its fan decides."""

LEAST_OVER_K = 20.0
"""How far the line to the cooler must be above what cools it [K]; own choice: what cools it is not known to
some kelvin, least of all the cold tank of a radiator while the engine warms up."""

BEYOND_K = 1.0
"""How far a line back may read beyond the line to the cooler, or below what cools it, to be believed [K]; own
choice: a sensor that hangs in the air reads colder."""

STUCK_K = 10.0
"""How far the line to the cooler may have gone, up and down, while the line back did not move at all [K]; own
choice."""

LEAST_FLOW = 0.25
"""Least share of the usual flow to judge by [-]; own choice: where less flows the line lags by minutes."""

LAG_S = 20.0
"""Time constant of the line back at the usual flow [s]; own choice."""


class LineBack(Layout):
    """State: the lines a window ago [°C], not a number: not known; what was said of late."""

    to_c: float
    back_c: float
    unmoved_k: float  # way of the line to the cooler since the line back last moved [K]
    said: Annotated[NDArray[np.float64], COUNT]  # for each fault, in log odds [-]
    most: float  # that may be said [-]
    wrong: int  # 1: after the last night the lines did not agree


@compiled
def begin_back(line_back: LineBack) -> None:
    """Begin with nothing known."""
    line_back.to_c = line_back.back_c = math.nan
    line_back.unmoved_k = 0.0
    line_back.most = MOST_SAID
    line_back.wrong = 0
    for place in range(COUNT):
        line_back.said[place] = 0.0


@compiled
def take_up_back(
    line_back: LineBack,
    to_c: float,
    back_c: float,
    stood_s: float,
    p: NDArray[np.float64],
) -> None:
    """Go on after a gap with the first readings of the lines: after a night they must agree.

    Parameters
    ----------
    line_back
        Changed.
    to_c, back_c, stood_s
        Lines to and from the cooler [°C]; for how long the truck stood [s].
    p
        Probabilities of the hypotheses, shape (``COUNT``,); what a line back that is wrong had said is taken
        out of them.
    """
    line_back.to_c = math.nan
    apart_k = abs(to_c - back_c)
    if stood_s < LONG_STOP_S or math.isnan(apart_k):
        return
    line_back.wrong = 1 if apart_k > AGREES_K else 0
    if line_back.wrong == 1:
        _take_back(line_back, p)
    line_back.most = MOST_SAID
    if _most_said(line_back) >= 0.5 * MOST_SAID:
        line_back.most += NIGHT_ADDS


@compiled
def _take_back(line_back: LineBack, p: NDArray[np.float64]) -> None:
    """Take what was said out of the probabilities."""
    total = 0.0
    for place in range(COUNT):
        p[place] *= math.exp(-line_back.said[place])
        line_back.said[place] = 0.0
        total += p[place]
    for place in range(COUNT):
        p[place] /= total


@compiled
def _most_said(line_back: LineBack) -> float:
    most = 0.0
    for place in range(COUNT):
        most = max(most, line_back.said[place])
    return most


@compiled
def note_back(line_back: LineBack, to_c: float, back_c: float) -> None:
    """Keep the readings of a window [°C]."""
    if not math.isnan(to_c + line_back.to_c):
        line_back.unmoved_k += abs(to_c - line_back.to_c)
    line_back.to_c = to_c
    if not math.isnan(back_c):
        if back_c != line_back.back_c:
            line_back.unmoved_k = 0.0
        line_back.back_c = back_c


@compiled
def learn_back(
    params: CircuitParams,
    begins_per_h: NDArray[np.float64],
    line_back: LineBack,
    duty: NDArray[np.float64],
    to_c: float,
    back_c: float,
    more_k: float,
    temper: float,
    learns: bool,
    xs: NDArray[np.float64],
    covs: NDArray[np.float64],
    valve: NDArray[np.float64],
    log_likelihood: NDArray[np.float64],
) -> None:
    """Learn from the line back, and add what it says to the log likelihoods.

    Parameters
    ----------
    params, begins_per_h, duty
        Of the circuit; which faults it can have; means over the window, shape (``DUTY``,).
    line_back
        Changed.
    to_c, back_c
        Lines to and from the cooler [°C].
    more_k
        Error to add to that of the reading [K].
    temper
        Share of a log likelihood that is believed [-].
    learns
        As for ``models.hypothesis_filter.update``.
    xs, covs, valve, log_likelihood
        Of the bank; all but the valve are changed.
    """
    flow = judged_flow(params, line_back, duty, xs[HEALTHY], valve[1], to_c, back_c)
    if flow > 0.0:
        error_k = error_of(params, line_back, duty, xs[HEALTHY], valve[1], to_c, flow)
        noise_var = error_k * error_k + more_k * more_k
        teaches = learns and _most_said(line_back) < TEACHES_UP_TO
        healthy = 0.0
        for place in range(COUNT):
            if place != HEALTHY and begins_per_h[place] == 0.0:
                continue
            share, x, cov = valve[2 * place + 1], xs[place], covs[place]
            slope = _slope(params, place, duty, x, cov, share, to_c)
            off_k = back_c - comes_back_c(params, place, duty, x, share, to_c)
            told = update_along(place, slope, off_k, noise_var, teaches, x, cov)
            if place == HEALTHY:
                healthy = told
            more = min(temper * (told - healthy), line_back.most - line_back.said[place])
            line_back.said[place] = max(0.0, line_back.said[place] + more)
            log_likelihood[place] += more / temper
    note_back(line_back, to_c, back_c)


@compiled
def judged_flow(
    params: CircuitParams,
    line_back: LineBack,
    duty: NDArray[np.float64],
    x: NDArray[np.float64],
    share: float,
    to_c: float,
    back_c: float,
) -> float:
    """Give the flow through a healthy cooler as a share of the usual [-], 0 where nothing is judged.

    ``x``, ``share``: state and valve of the healthy one; all else as for ``learn_back``.
    """
    if math.isnan(to_c + back_c + line_back.to_c):
        return 0.0
    if line_back.wrong == 1 or line_back.unmoved_k > STUCK_K:
        return 0.0
    if params.kind == TANK_AND_AIR:
        return 0.0  # two sinks in a row: the ratio hangs on both
    if params.kind < COOLANT and duty[SPEED_KM_H] < LEAST_KM_H:
        return 0.0
    sink_c = cooled_by_c(params, duty, x)
    if to_c - sink_c < LEAST_OVER_K or not sink_c - BEYOND_K <= back_c <= to_c + BEYOND_K:
        return 0.0
    flow = flow_share(params, duty, x, share)
    return flow if flow >= LEAST_FLOW else 0.0


@compiled
def error_of(
    params: CircuitParams,
    line_back: LineBack,
    duty: NDArray[np.float64],
    x: NDArray[np.float64],
    share: float,
    to_c: float,
    flow: float,
) -> float:
    """Error of such a reading [K]: its own, the laws', the valve's, and the lag where the line changes."""
    healthy_c = comes_back_c(params, HEALTHY, duty, x, share, to_c)
    laws_k = priors.BACK_SHARE * (to_c - healthy_c)
    wider = doubted(params, share)
    valve_k = comes_back_c(params, HEALTHY, duty, x, wider, to_c) - healthy_c
    lag_k = min(1.0, LAG_S / (flow * duty[SPAN_S])) * (to_c - line_back.to_c)
    return math.sqrt(priors.BACK_SD_K**2 + laws_k * laws_k + valve_k * valve_k + lag_k * lag_k)


@compiled
def _slope(
    params: CircuitParams,
    hypothesis: int,
    duty: NDArray[np.float64],
    x: NDArray[np.float64],
    cov: NDArray[np.float64],
    share: float,
    to_c: float,
) -> NDArray[np.float64]:
    """How the line back goes with what is estimated [K per unit], shape (``STATES``,).

    By divided differences; how far the valve is open counts as an error of the reading (``error_of``).
    """
    slope = np.zeros(STATES)
    trial = x.copy()
    for place in (SINK, FAULT, LN_UNITS):
        if cov[place, place] <= 0.0:
            continue
        step = math.sqrt(cov[place, place])
        least, most = x[place] - step, x[place] + step
        if place == FAULT:
            least = max(least, priors.FAULTS[hypothesis, priors.FAULT_LEAST])
            most = min(most, priors.FAULTS[hypothesis, priors.FAULT_MOST])
        trial[place] = most
        slope[place] = comes_back_c(params, hypothesis, duty, trial, share, to_c)
        trial[place] = least
        slope[place] -= comes_back_c(params, hypothesis, duty, trial, share, to_c)
        slope[place] /= most - least
        trial[place] = x[place]
    return slope
