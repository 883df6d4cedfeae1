"""One sample per truck and millisecond: how samples with one key become one.

Signal by signal, the value that is there wins over none, and of two that differ the greater
wins: a rule that does not depend on the order of arrival, and for a temperature errs to the
safe side. The value that loses is not forgotten: it goes to quarantine.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.sample import SIGNAL_NAMES


@dataclass(frozen=True, slots=True, kw_only=True)
class Conflict:
    """A value that lost against another for the same signal at the same time."""

    time_ms: int
    signal: str
    value: float


def in_order(samples: NDArray[Any]) -> bool:
    """Say whether times are strictly rising: then there is nothing to merge."""
    times = samples["time_ms"]
    return bool((times[1:] > times[:-1]).all())


def merge(samples: NDArray[Any]) -> tuple[NDArray[Any], list[Conflict]]:
    """Sort by time and merge samples with one time; list the values that lost."""
    if in_order(samples):
        return samples, []
    samples = samples[np.argsort(samples["time_ms"], kind="stable")]
    times = samples["time_ms"]
    starts = np.flatnonzero(np.concatenate(([True], times[1:] != times[:-1])))
    merged = samples[starts].copy()
    conflicts: list[Conflict] = []
    for name in SIGNAL_NAMES:
        column = samples[name]
        best = np.fmax.reduceat(column, starts)
        merged[name] = best
        spread = np.repeat(best, np.diff(np.append(starts, len(samples))))
        conflicts += [
            Conflict(time_ms=int(times[index]), signal=name, value=float(column[index]))
            for index in np.flatnonzero(~np.isnan(column) & (column != spread))
        ]
    return merged, conflicts


def fresh_rows(known: NDArray[Any], offered: NDArray[Any]) -> NDArray[np.bool_]:
    """Say which offered samples would change what is known (both merged).

    Parameters
    ----------
    known, offered
        Records ``SAMPLE``, shapes (m,) and (n,), each in order with no time twice.

    Returns
    -------
    array of bool, shape (n,)
    """
    fresh = np.ones(len(offered), dtype=bool)
    if len(known) == 0:
        return fresh
    places = np.searchsorted(known["time_ms"], offered["time_ms"])
    inside = np.minimum(places, len(known) - 1)
    present = known["time_ms"][inside] == offered["time_ms"]
    adds = np.zeros(len(offered), dtype=bool)
    for name in SIGNAL_NAMES:
        old, new = known[name][inside], offered[name]
        adds |= ~np.isnan(new) & ~(new <= old)
    fresh[present] = adds[present]
    return fresh
