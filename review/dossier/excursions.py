"""Times above a limit, found in the readings and ranked by what they did to the fluid."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from models.units import ZERO_CELSIUS_K
from review.dossier.facts import Numbers, Readings

DEADBAND_K = 3.0
"""So far below the limit the fluid must fall before a time above it is over [K], as for the alarm."""


class Run(NamedTuple):
    """One time above: its spans are ``start + 1`` to ``end`` of the readings, ``peak`` the hottest."""

    start: int
    end: int
    peak: int
    above_s: float
    cost_s: float


def above_s(readings: Readings, celsius: float) -> Numbers:
    """Give how much of each span lay above a temperature [s]; 1/T runs straight from reading to reading."""
    after = readings.fluid_c
    before = np.concatenate([after[:1], after[:-1]])
    cold, hot = np.minimum(before, after), np.maximum(before, after)
    inverse = [1.0 / (each + ZERO_CELSIUS_K) for each in (cold, hot)]
    level = 1.0 / (celsius + ZERO_CELSIUS_K)
    crossing = (cold < celsius) & (hot > celsius)
    width = np.where(crossing, inverse[0] - inverse[1], 1.0)
    share = np.where(crossing, (level - inverse[1]) / width, 0.0)
    share[(cold >= celsius) & (hot > celsius)] = 1.0
    return np.asarray(share * readings.span_s, dtype=np.float64)


def runs_above(readings: Readings, celsius: float) -> list[Run]:
    """Find the times above a temperature, in order; every second above it belongs to one of them."""
    above = above_s(readings, celsius)
    spans = np.flatnonzero(above > 0.0)
    return [_run(readings, above, group) for group in _groups(readings, spans, celsius)]


def _groups(readings: Readings, spans: np.ndarray, celsius: float) -> Iterator[np.ndarray]:
    """Put spans together between which the fluid did not fall far, and was read all the time."""
    if len(spans) == 0:
        return
    breaks = [
        place
        for place in (np.flatnonzero(np.diff(spans) > 1) + 1)
        if _apart(readings, int(spans[place - 1]), int(spans[place]), celsius)
    ]
    breaks += [
        place
        for place in (np.flatnonzero(np.diff(spans) == 1) + 1)
        if readings.fluid_c[spans[place - 1]] < celsius - DEADBAND_K
    ]
    yield from np.split(spans, sorted(breaks))


def _apart(readings: Readings, last: int, following: int, celsius: float) -> bool:
    unread = bool((readings.span_s[last + 1 : following + 1] <= 0.0).any())
    coldest = readings.fluid_c[last:following].min()
    return unread or bool(coldest < celsius - DEADBAND_K)


def _run(readings: Readings, above: Numbers, spans: np.ndarray) -> Run:
    start, end = int(spans[0]) - 1, int(spans[-1])
    return Run(
        start=start,
        end=end,
        peak=start + int(np.argmax(readings.fluid_c[start : end + 1])),
        above_s=float(above[spans].sum()),
        cost_s=float(readings.cost_s[start + 1 : end + 1].sum()),
    )
