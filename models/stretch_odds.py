"""From what a change explains of the last stretches to the odds of a fault."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from models.abreast import FAULTS, HEAT, SINK_C
from models.circuit import BYPASS, COOLANT, CircuitParams, regulates
from models.compiled import compiled
from models.hypotheses import AIR, FLOW, OPEN
from models.least_squares import COLUMNS, OWN

LOOKED_H = 12.0
"""Driving in which the fault may have begun [h]: that of the stretches kept."""

RARE_PER_H = 0.05e-4
"""How often heat or sink change for good and are not told [1/h]; own choice."""

BELIEVED_OF_OPEN, BELIEVED_BY_VALVE = 0.25, 0.55
"""Shares of their log likelihood ratio that are believed of a valve stuck open, and of a lack of flow behind
a valve that regulates [-]. The first is told by cold starts, where two nodes err most and together: of 500
sound tuning trucks the worst came to 34, of 29 with a valve stuck open all but one to 62 or more. The
second hangs on where the valve stands: all of it believed, a sound truck is accused once in half a year."""

BELIEVED_BY_COOLANT = 0.8
"""The same of a lack of flow where the engine's coolant is the sink [-]: its temperature at the cooler is not
quite that which is sent, and wanders. Own choice."""

MOST_LN = 50.0
"""Most that is told of log odds [-]."""


@compiled
def any_odds(odds: NDArray[np.float64]) -> float:
    """Odds of any fault against a sound truck [-]."""
    return float(odds[AIR] + odds[FLOW] + odds[OPEN])


@compiled
def tell_odds(
    params: CircuitParams,
    begins_per_h: NDArray[np.float64],
    gains: NDArray[np.float64],
    variance: float,
    odds: NDArray[np.float64],
) -> int:
    """Write the odds of the faults that are told; give the column of the likeliest.

    Told are a lack of air or of flow, and a bypass valve stuck open. That the heat is untold, the sink
    another, or the valve shut is weighed against them; the first two are no faults of the circuit, the last
    is found sooner by the filters.

    Parameters
    ----------
    params, begins_per_h
        The circuit; how often each fault begins [1/h], shape (``COUNT``,), 0: it cannot be.
    gains
        By how much the sum of squares falls with each column, shape (``COLUMNS``,).
    variance
        Of what is left, as a share of what is stated [-]. A balance that is worse than stated is worse in how
        long it is off, too, so that this counts twice.
    odds
        Against a sound truck, shape (``COUNT``,); changed.
    """
    doubt = max(1.0, variance) ** 2
    logs = np.empty(COLUMNS)
    for column in range(COLUMNS):
        logs[column] = _log_odds(params, begins_per_h, column, 0.5 * gains[column] / doubt)
    told_best, likeliest = -math.inf, OWN
    for column in range(OWN, COLUMNS):
        if _is_told(params, column) and logs[column] > told_best:
            told_best, likeliest = logs[column], column
    rivals = _log_sum(params, logs)
    beyond = max(
        0.0, told_best - rivals - MOST_LN
    )  # of all alike: what one has over another stays
    for column in range(OWN, COLUMNS):
        if _is_told(params, column):
            odds[FAULTS[column - OWN]] = math.exp(logs[column] - rivals - beyond)
    return likeliest


@compiled
def _log_odds(
    params: CircuitParams,
    begins_per_h: NDArray[np.float64],
    column: int,
    log_ratio: float,
) -> float:
    """Log odds of a change against a sound truck [-]; minus infinity: it does not happen."""
    rate, believed = 0.0, 1.0
    if column in (HEAT, SINK_C):
        rate = RARE_PER_H
    elif column >= OWN:
        fault = FAULTS[column - OWN]
        rate = begins_per_h[fault]
        if fault == OPEN:
            believed = BELIEVED_OF_OPEN
        elif fault == FLOW and regulates(params):
            believed = BELIEVED_BY_VALVE
        elif fault == FLOW and params.kind >= COOLANT:
            believed = BELIEVED_BY_COOLANT
    if rate == 0.0:
        return -math.inf
    return math.log(rate * LOOKED_H) + believed * log_ratio


@compiled
def _is_told(params: CircuitParams, column: int) -> bool:
    """Say whether a fault is told by the stretches.

    Behind a valve that regulates, a lack of air is made up for by the valve and shows as little as other
    things do. A coolant valve stuck open is found by the filters within minutes.
    """
    fault = FAULTS[column - OWN]
    if fault == OPEN:
        return params.kind == BYPASS
    return bool(fault == FLOW or (fault == AIR and not regulates(params)))


@compiled
def _log_sum(params: CircuitParams, logs: NDArray[np.float64]) -> float:
    """Log of one and of the odds of all that is not told, added up [-]."""
    most = 0.0
    for column in range(COLUMNS):
        if column < OWN or not _is_told(params, column):
            most = max(most, logs[column])
    total = math.exp(-most)
    for column in range(COLUMNS):
        if column < OWN or not _is_told(params, column):
            total += math.exp(logs[column] - most)
    return most + math.log(total)
