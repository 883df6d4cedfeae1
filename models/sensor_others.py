"""Coolant and outside air, as far as they can be checked: the odd one out after a night; what is not sent.

Three temperatures that agree after a night vouch for each other; two that agree against the third accuse it.
A heated engine block or sun on the sensor of the air does the same for a night or two.
"""

from __future__ import annotations

import math

from models.compiled import compiled
from models.layout import Layout
from models.view import View

AGREE_K = 3.0
"""Two that agree within this vouch for each other [K]. Own choice."""

ODD_K = 15.0
"""The third is odd if it is off them by more [K]: sun, halls and heaters make 10 K. Own choice; doubled, only
a sensor at its default value is told."""

NIGHTS = 3
"""Nights in a row, odd the same way, that accuse [-]. Own choice."""

MISSING_S = 1800.0
"""Driving without a signal that came before from which it is said to be missing [s]. Own choice."""


class Others(Layout):
    """State: nights on which one was odd, signed by which way, and since when signals are missing."""

    air_nights: int
    coolant_nights: int
    air_odd_k: float
    coolant_odd_k: float
    air_missing_since_ms: int  # while driving; 0: it is there
    load_missing_since_ms: int
    fluid_missing_since_ms: int
    fluid_missing_s: float  # driven since then [s]
    fluid_seen: int  # 1: it was sent before


@compiled
def _count(nights: int, odd_k: float) -> int:
    """Nights in a row, positive where it read too much."""
    if abs(odd_k) <= ODD_K:
        return 0
    if odd_k > 0.0:
        return max(0, nights) + 1
    return min(0, nights) - 1


@compiled
def compare_others(others: Others, fluid_c: float, coolant_c: float, air_c: float) -> None:
    """Take the readings after a night [°C]; without all three nobody can be called odd."""
    if math.isnan(fluid_c + coolant_c + air_c):
        return
    if abs(fluid_c - coolant_c) <= AGREE_K:
        others.air_odd_k = air_c - 0.5 * (fluid_c + coolant_c)
        others.air_nights = _count(others.air_nights, others.air_odd_k)
        others.coolant_nights = 0
    elif abs(fluid_c - air_c) <= AGREE_K:
        # A warm engine is a heated one: only a cold one is the sensor's fault.
        others.coolant_odd_k = min(0.0, coolant_c - 0.5 * (fluid_c + air_c))
        others.coolant_nights = _count(others.coolant_nights, others.coolant_odd_k)
        others.air_nights = 0


@compiled
def _since(there: bool, driving: bool, since_ms: int, now_ms: int) -> int:
    if there:
        return 0
    return now_ms if since_ms == 0 and driving else since_ms


@compiled
def note_missing(others: Others, view: View) -> None:
    """Keep since when a driving truck sends no outside air, no load, no fluid."""
    now_ms, driving = view.time_ms, view.moving == 1
    air = not math.isnan(view.air_c)
    others.air_missing_since_ms = _since(air, driving, others.air_missing_since_ms, now_ms)
    load = not math.isnan(view.torque_nm)
    others.load_missing_since_ms = _since(load, driving, others.load_missing_since_ms, now_ms)
    if not math.isnan(view.fluid_c):
        others.fluid_seen = 1
        others.fluid_missing_since_ms = 0
        others.fluid_missing_s = 0.0
    elif view.fluid_ms < now_ms and driving:
        if others.fluid_missing_since_ms == 0:
            others.fluid_missing_since_ms = now_ms
        others.fluid_missing_s += view.dt_s


@compiled
def is_fluid_missing(others: Others) -> bool:
    """Say that the fluid's signal stopped while the truck drives on and sends the rest."""
    return others.fluid_seen == 1 and others.fluid_missing_s >= MISSING_S
