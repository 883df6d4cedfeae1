"""Do stated probabilities hold: reliability by bins, and the Brier score."""

from __future__ import annotations

import math
from collections.abc import Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.bench.diagnosis.outcome import Outcome

EDGES = (0.0, 0.001, 0.01, 0.1, 0.3, 0.5, 0.7, 0.9, 0.99, 0.999, 1.0)
"""Bins of the stated probability [-]; own choice: detectors speak near the ends."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bin:
    """From ``low`` to below ``high``: how many were stated, their mean, how many held."""

    low: float
    high: float
    count: int
    stated: float
    held: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """Bins that hold anything; Brier score, and that of saying the base rate each time."""

    bins: tuple[Bin, ...]
    count: int
    base_rate: float
    brier: float
    brier_base: float


def calibrate(stated: NDArray[np.float64], held: NDArray[np.bool_]) -> Calibration:
    """Compare stated probabilities, shape (n,), with what was so, shape (n,)."""
    if len(stated) == 0:
        nan = math.nan
        return Calibration(bins=(), count=0, base_rate=nan, brier=nan, brier_base=nan)
    places = np.clip(np.searchsorted(EDGES, stated, side="right") - 1, 0, len(EDGES) - 2)
    bins = tuple(
        Bin(
            low=EDGES[place],
            high=EDGES[place + 1],
            count=int(np.sum(places == place)),
            stated=float(np.mean(stated[places == place])),
            held=float(np.mean(held[places == place])),
        )
        for place in np.unique(places)
    )
    base = float(np.mean(held))
    return Calibration(
        bins=bins,
        count=len(stated),
        base_rate=base,
        brier=float(np.mean((stated - held) ** 2)),
        brier_base=base * (1.0 - base),
    )


def of_states(outcomes: Sequence[Outcome], sensor_labels: AbstractSet[str]) -> Calibration:
    """Of what is held likely every ten minutes: has a fault of the circuit shown?

    Trucks with a sensor fault are left out, and the time between a fault's beginning and its showing.
    """
    pairs = [
        (stated.probability, faulty)
        for outcome in outcomes
        if outcome.label not in sensor_labels
        for stated in outcome.stated
        if (faulty := outcome.faulty_at(stated.second)) is not None
    ]
    return calibrate(
        np.array([stated for stated, _ in pairs], dtype=np.float64),
        np.array([faulty for _, faulty in pairs], dtype=np.bool_),
    )


def of_alarms(
    outcomes: Sequence[Outcome], judge: str, kind: str, true_labels: AbstractSet[str]
) -> Calibration:
    """Of the alarms of one kind: was what they name so, had it begun?"""
    pairs = [
        (
            alarm.probability,
            outcome.label in true_labels
            and outcome.since_s is not None
            and alarm.second >= outcome.since_s,
        )
        for outcome in outcomes
        for alarm in outcome.alarms[judge]
        if alarm.kind == kind
    ]
    return calibrate(
        np.array([stated for stated, _ in pairs], dtype=np.float64),
        np.array([held for _, held in pairs], dtype=np.bool_),
    )
