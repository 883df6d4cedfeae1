"""The engine hour counter as a witness: for how long the engine ran while nobody looked."""

from __future__ import annotations

import math

from models.compiled import compiled
from models.layout import Layout

TICK_S = 180.0
"""One step of the counter [s]. SAE J1939-71, SPN 247: 0.05 h a bit; many gateways pass on no more."""

TELLS_S = 4.0 * TICK_S
"""A counter that stood still proves a parked truck only over more than this [s]. Own choice; doubled,
gaps of up to half an hour are judged without it."""


class Hours(Layout):
    """State: the last reading, and the running time that samples saw since."""

    known: int  # 1: there is one, and no silence since that was judged without it
    reading_h: float
    run_s: float


@compiled
def ran_s(hours: Hours, reading_h: float, span_s: float) -> float:
    """Running time [s] in one silence of ``span_s`` [s], from the readings before and after it.

    NaN where they do not tell: none before, a counter that was replaced, too short a silence.
    """
    if hours.known == 0 or reading_h < hours.reading_h:
        return math.nan
    ran = (reading_h - hours.reading_h) * 3600.0 - hours.run_s
    if ran > span_s + TICK_S:
        return math.nan
    if ran > TICK_S:
        return min(ran, span_s)
    return 0.0 if span_s > TELLS_S else math.nan


@compiled
def take(hours: Hours, reading_h: float) -> None:
    """Keep a reading [h] for the next silence."""
    hours.known = 1
    hours.reading_h = reading_h
    hours.run_s = 0.0
