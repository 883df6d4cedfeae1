"""Steps of small Kalman filters.

Everything works in place on float64 arrays that the caller holds: nothing is allocated inside. A field
``Annotated[NDArray[np.float64], n * n]`` of a record becomes a matrix with ``.reshape(n, n)``, which does
not copy. Covariances stay exactly symmetric.

Sources, from memory: Kalman 1960; Joseph's form (Bucy and Joseph 1968); bounded innovations (Huber 1964;
Masreliez and Martin 1977). ``tests/models/test_published_filter.py`` holds the steps against filterpy.
"""

from __future__ import annotations

import math
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from models.compiled import compiled

Floats: TypeAlias = NDArray[np.float64]

UNBOUNDED = math.inf
"""Bound of an innovation that is believed however large it is [standard deviations]."""


@compiled
def predict(x: Floats, p: Floats, f: Floats, q: Floats, spare: Floats) -> None:
    """Carry a state over one step: ``x = f x``, ``p = f p f' + q``.

    Parameters
    ----------
    x, p
        State, shape (n,), and its covariance, shape (n, n); changed.
    f, q
        Transition and covariance of what the step adds, shape (n, n).
    spare
        Room to work in, shape (n, n); what is in it is lost.
    """
    n = len(x)
    for i in range(n):
        total = 0.0
        for k in range(n):
            total += f[i, k] * x[k]
        spare[0, i] = total
    x[:] = spare[0, :]
    for i in range(n):
        for j in range(n):
            total = 0.0
            for k in range(n):
                total += f[i, k] * p[k, j]
            spare[i, j] = total
    for i in range(n):
        for j in range(i + 1):
            total = 0.5 * (q[i, j] + q[j, i])
            for k in range(n):
                total += spare[i, k] * f[j, k]
            p[i, j] = total
            p[j, i] = total


@compiled
def wander(p: Floats, variance: Floats) -> None:
    """Carry over one step a state that only wanders: each element by its own variance, shape (n,)."""
    for i in range(len(variance)):
        p[i, i] += variance[i]


@compiled
def expect(x: Floats, h: Floats) -> float:
    """Give what a scalar measurement with row ``h``, shape (n,), should read."""
    total = 0.0
    for i in range(len(x)):
        total += h[i] * x[i]
    return total


@compiled
def _spread(p: Floats, h: Floats, r: float, gain: Floats) -> float:
    """Leave ``p h`` in ``gain``; give the variance of the innovation."""
    n = len(h)
    variance = r
    for i in range(n):
        total = 0.0
        for j in range(n):
            total += p[i, j] * h[j]
        gain[i] = total
        variance += h[i] * total
    return variance


@compiled
def _shrink(p: Floats, h: Floats, r: float, variance: float, gain: Floats) -> None:
    """Joseph's form, row by row: ``p = (1 - k h) p (1 - k h)' + k r k'`` with ``k = gain / variance``.

    It costs twice what ``p - k gain'`` does, and stays a covariance where r is far below h p h'.
    """
    n = len(h)
    for i in range(n):
        k_i = gain[i] / variance
        across = 0.0
        for j in range(n):
            p[i, j] -= k_i * gain[j]
            across += p[i, j] * h[j]
        for j in range(n):
            p[i, j] += (k_i * r - across) * (gain[j] / variance)
    for i in range(n):
        for j in range(i):
            p[i, j] = 0.5 * (p[i, j] + p[j, i])
            p[j, i] = p[i, j]


@compiled
def log_density(z: float, bound: float) -> float:
    """Give the log density of Huber's distribution at ``z`` [-].

    Normal up to ``bound``, with tails that fall like exp(-bound |z|) beyond. It is a density (its integral
    is 1), so that tests built on ratios of it keep their false-alarm rate. ``UNBOUNDED``: the normal one.
    """
    inner = math.sqrt(2.0 * math.pi) * math.erf(bound / math.sqrt(2.0))
    tails = 2.0 / bound * math.exp(-0.5 * bound * bound)
    size = abs(z)
    cost = 0.5 * z * z if size <= bound else bound * (size - 0.5 * bound)
    return -cost - math.log(inner + tails)


@compiled
def update(
    x: Floats, p: Floats, h: Floats, innovation: float, r: float, bound: float, gain: Floats
) -> float:
    """Take one scalar measurement in.

    Parameters
    ----------
    x, p
        State, shape (n,), and its covariance, shape (n, n); changed.
    h
        How the measurement hangs on the state, shape (n,).
    innovation
        Measured less expected [unit of the measurement].
    r
        Variance of the measurement's error [that unit squared].
    bound
        Most of an innovation that moves the state [standard deviations]: the gain is the usual one, but one
        wild reading drags nothing along. ``UNBOUNDED``: the plain filter.
    gain
        Room to work in, shape (n,).

    Returns
    -------
    float
        Log likelihood of the measurement, with the tails that the bound stands for (``log_density``).
    """
    variance = _spread(p, h, r, gain)
    sd = math.sqrt(variance)
    z = innovation / sd
    pull = max(-bound, min(bound, z)) / sd
    for i in range(len(x)):
        x[i] += gain[i] * pull
    _shrink(p, h, r, variance, gain)
    return log_density(z, bound) - math.log(sd)
