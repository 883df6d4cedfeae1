"""Residuals that hang together in time, made into independent ones.

A residual that fades with a time constant tau (an Ornstein-Uhlenbeck process; in equal steps an AR(1) with
phi = exp(-dt / tau)) says less than its number of values suggests: a test made for independent values raises
false alarms many times as often as it should. Whitening restores the rate, and shows honestly how little
of a lasting shift is left: a share sqrt((1 - phi) / (1 + phi)) of it in each value.

Source: Uhlenbeck and Ornstein 1930; Box and Jenkins 1970; from memory.
"""

from __future__ import annotations

import math

from models.compiled import compiled
from models.layout import Layout


class Whitener(Layout):
    """State: the last residual."""

    last: float  # in its standard deviations
    age_s: float  # how long ago that was
    started: int


@compiled
def persistence(dt_s: float, tau_s: float) -> float:
    """Give how much of a residual is left after a while [-]; ``tau_s`` [s] 0: nothing."""
    return math.exp(-dt_s / tau_s) if tau_s > 0.0 else 0.0


@compiled
def whiten(whitener: Whitener, z: float, dt_s: float, tau_s: float) -> float:
    """Give what is new in a residual, in standard deviations of what is new.

    Parameters
    ----------
    whitener
        Changed in place.
    z
        The residual, in its standard deviations [-]. NaN: missing, and so is the answer.
    dt_s
        Time since the last call [s]; steps need not be equal, and a gap is a long one.
    tau_s
        Time constant with which residuals fade [s].
    """
    whitener.age_s += dt_s
    if math.isnan(z):
        return z
    phi = persistence(whitener.age_s, tau_s) if whitener.started == 1 else 0.0
    fresh = 1.0 - phi * phi
    innovation = (z - phi * whitener.last) / math.sqrt(fresh) if fresh > 0.0 else math.nan
    whitener.last = z
    whitener.age_s = 0.0
    whitener.started = 1
    return innovation


@compiled
def mean_variance(count: int, phi: float) -> float:
    """Give the variance of the mean of ``count`` neighbouring residuals of variance 1 [-].

    ``phi`` is what is left of one at the next (``persistence``) [-]. Its inverse is how many independent
    residuals they are worth (``independent``).
    """
    total, left = float(count), 1.0
    for lag in range(1, count):
        left *= phi
        total += 2.0 * (count - lag) * left
    return total / (count * count)


@compiled
def independent(count: int, phi: float) -> float:
    """Give how many independent residuals so many neighbouring ones are worth [-]."""
    return 1.0 / mean_variance(count, phi)
