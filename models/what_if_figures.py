"""The figures of a what-if: of the span as it was and of each change, with their bands."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from models.ageing import kinetic_mean_temperature
from models.duty import Floats
from models.heat_sums import KINETIC_ENERGY_OVER_R_K, KINETIC_REFERENCE_C
from models.what_if_cost import (
    ABOVE_S,
    COLD_S,
    EQUIVALENT_S,
    HOTTEST_C,
    KINETIC_S,
    SEEN_S,
    SOAKED_S,
)

_BAND = (0.1, 0.9)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What would be different.

    ``cooler``: the size of its core relative to that fitted [-]; ``full_flow``: a block without the bypass
    valve; ``cleaned``: the cooler carries what this truck's own did when it was healthy; ``load``: the
    engine's torque relative to what it was [-].
    """

    cooler: float = 1.0
    full_flow: bool = False
    cleaned: bool = False
    load: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A best estimate with its 80 % band, ``low <= best <= high``."""

    low: float
    best: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a span came to, or would have come to under a change.

    ``hottest_c`` [°C]; ``over_limit_h`` above the truck's own limit, ``over_h`` above each of the other
    edges, ``cold_h`` running below working temperature [h]; ``equivalent_h`` at the reference temperature
    that would have aged the fluid as much, ``soaked_h`` of it parked, an estimate [h]; ``life`` that the
    span used, a share of the fluid's [-]; ``of_as_was``, that as a share of what it used without the change
    [-]; ``kinetic_c``, mean kinetic temperature [°C].
    """

    change: Change
    hottest_c: Band
    over_limit_h: Band
    over_h: tuple[Band, ...]
    cold_h: Band
    equivalent_h: Band
    soaked_h: Band
    life: Band
    of_as_was: Band
    kinetic_c: Band


@dataclass(frozen=True, slots=True, kw_only=True)
class WhatIf:
    """The answer: the span as it was, then each change.

    Hours [h] of the span: ``seen_h`` with readings of the fluid, ``parked_h`` and ``unseen_h`` without, and
    ``followed_h`` that the model could follow.
    """

    outcomes: tuple[Outcome, ...]
    seen_h: float
    parked_h: float
    unseen_h: float
    followed_h: float


def outcome(change: Change, sums: Floats, as_was: Floats, life_s: float) -> Outcome:
    """Read what one change came to against the span as it was.

    How sure the account is of what was used, it says itself; what is asked here is the change. So the span
    as it was has no band, and a change's is that of its share of what was used.

    Parameters
    ----------
    change
        The change.
    sums, as_was
        By ``models.what_if_run.cost``, first the best estimate, then the draws, shape (1 + draws, sums).
    life_s
        The fluid's life at its reference temperature [s].
    """
    spent_s = sums[:, EQUIVALENT_S] + sums[:, SOAKED_S]
    was_s = as_was[:, EQUIVALENT_S] + as_was[:, SOAKED_S]
    ratio = np.divide(spent_s, was_s, out=np.ones(len(spent_s)), where=was_s > 0.0)
    equivalent_s = ratio * was_s[0]
    soaked_s = np.minimum(sums[:, SOAKED_S] / np.maximum(spent_s, 1e-9), 1.0) * equivalent_s
    above = [band(column / 3600.0) for column in sums[:, ABOVE_S:].T]
    return Outcome(
        change=change,
        hottest_c=band(sums[:, HOTTEST_C]),
        over_limit_h=above[0],
        over_h=tuple(above[1:]),
        cold_h=band(sums[:, COLD_S] / 3600.0),
        equivalent_h=band(equivalent_s / 3600.0),
        soaked_h=band(soaked_s / 3600.0),
        life=band(equivalent_s / life_s),
        of_as_was=band(ratio),
        kinetic_c=band(np.array([_kinetic_c(*pair) for pair in sums[:, [KINETIC_S, SEEN_S]]])),
    )


def band(found: Floats) -> Band:
    """Give the best estimate, which comes first, with the 80 % band of the draws after it."""
    best = float(found[0])
    low, high = np.quantile(found[1:], _BAND)
    return Band(low=min(best, float(low)), best=best, high=max(best, float(high)))


def _kinetic_c(kinetic_s: float, seen_s: float) -> float:
    if seen_s <= 0.0:
        return math.nan
    return kinetic_mean_temperature(
        kinetic_s / seen_s, KINETIC_REFERENCE_C, KINETIC_ENERGY_OVER_R_K
    )
