"""How faults begin, fade and grow in the bank, before a window is looked at.

What the healthy filter holds of the truck is carried into each fault that might begin in this window, with
the fault's own number drawn anew: interacting multiple models (Blom and Bar-Shalom 1988, from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.compiled import compiled
from models.hypotheses import AIR, COUNT, FLOW, HEALTHY, LOW, SHUT
from models.interacting import merge
from models.rows import copy_row, copy_square
from models.setting_out import draw_fault

BACK_PER_H = 0.004
"""Rate at which a suspicion is taken back [1/h]; own choice. A circuit does not heal, but a judgement that
rested on what two nodes get wrong must not stand for ever. Six times as much, and a cooler that has lost half
is never told: what an hour says of it is taken back in the same."""

GROWS_PER_H = 0.05
"""Rate at which what was a part of a fault turns into a valve that is shut [1/h of driving]; own choice. At
zero, a valve that has stuck slowly keeps the name it first had."""


@compiled
def let_begin(
    begins_per_h: NDArray[np.float64],
    sticks: bool,
    anew: bool,
    hours: float,
    p: NDArray[np.float64],
    xs: NDArray[np.float64],
    covs: NDArray[np.float64],
    valve: NDArray[np.float64],
) -> None:
    """Let faults begin and grow, and suspicions that nothing renews fade.

    Parameters
    ----------
    begins_per_h
        How often each begins [1/h], shape (``COUNT``,); 0: the circuit cannot have it.
    sticks
        The circuit has a valve, which may stick little by little, and all filters know the sump.
    anew
        Flow has just been seen: a valve that is shut could only stick from now on.
    hours
        Length of the window [h].
    p, xs, covs, valve
        Of the bank; changed. Shapes (``COUNT``,), (``COUNT``, n), (``COUNT``, n, n), (2 ``COUNT``,).
    """
    for place in range(COUNT):
        if place != HEALTHY:
            fades = min(1.0, BACK_PER_H * hours) * p[place]
            p[place] -= fades
            p[HEALTHY] += fades
    for place in range(COUNT):
        if place == HEALTHY or begins_per_h[place] == 0.0:
            continue
        begun = p[HEALTHY] * begins_per_h[place] * hours
        share = begun / (begun + p[place])
        if place == SHUT and anew:
            share = 1.0
        _move(HEALTHY, place, share, xs, covs, valve)
        p[place] += begun
        p[HEALTHY] -= begun
    if sticks:
        _grow(hours, p, xs, covs, valve)


@compiled
def _grow(
    hours: float,
    p: NDArray[np.float64],
    xs: NDArray[np.float64],
    covs: NDArray[np.float64],
    valve: NDArray[np.float64],
) -> None:
    """Let what holds back a part become a valve that is shut: one that begins to stick looks like any."""
    for place in (LOW, AIR, FLOW):
        grown = min(1.0, GROWS_PER_H * hours) * p[place]
        if grown > 0.0:
            _move(place, SHUT, grown / (grown + p[SHUT]), xs, covs, valve)
            p[SHUT] += grown
            p[place] -= grown


@compiled
def _move(
    before: int,
    place: int,
    share: float,
    xs: NDArray[np.float64],
    covs: NDArray[np.float64],
    valve: NDArray[np.float64],
) -> None:
    """Carry one filter into another, of which this share has begun just now [-]."""
    if share > 0.999:
        copy_row(valve[2 * place : 2 * place + 2], valve[2 * before : 2 * before + 2])
    _mix(place, share, xs[before], covs[before], xs[place], covs[place])


@compiled
def _mix(
    place: int,
    begun: float,
    from_x: NDArray[np.float64],
    from_cov: NDArray[np.float64],
    x: NDArray[np.float64],
    cov: NDArray[np.float64],
) -> None:
    """Let a share of a fault's weight have begun just now, in the truck as another filter has it."""
    if begun < 1e-4:
        return
    drawn, spread = from_x.copy(), from_cov.copy()
    draw_fault(place, drawn, spread)
    if begun > 0.999:
        copy_row(x, drawn)
        copy_square(cov, spread)
        return
    merge(begun, drawn, spread, x, cov)
