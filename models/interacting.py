"""Interacting multiple models: filters that explain the same truck, mixed before a step, weighed after it.

One step is ``mix``, then each filter's own ``models.kalman`` steps, then ``weigh``. Everything works on
float64 arrays that the caller holds: nothing is allocated inside.

Source: Blom and Bar-Shalom 1988, from memory; ``tests/models/test_published_filter.py`` holds it against
filterpy.
"""

from __future__ import annotations

import math

from models.compiled import compiled
from models.kalman import Floats


@compiled
def merge(share: Floats, xs: Floats, ps: Floats, merged_x: Floats, merged_p: Floats) -> None:
    """Put one normal distribution in place of several, with the mean and covariance they have together.

    Parameters
    ----------
    share
        Weights of the m states, sum 1, shape (m,).
    xs, ps
        The states (m, n) and their covariances (m, n, n).
    merged_x, merged_p
        The one, shapes (n,) and (n, n); written.
    """
    m, n = xs.shape
    merged_x[:] = 0.0
    merged_p[:] = 0.0
    for k in range(m):
        for i in range(n):
            merged_x[i] += share[k] * xs[k, i]
    for k in range(m):
        for i in range(n):
            for j in range(n):
                apart = (xs[k, i] - merged_x[i]) * (xs[k, j] - merged_x[j])
                merged_p[i, j] += share[k] * (ps[k, i, j] + apart)


@compiled
def mix(
    weights: Floats,
    xs: Floats,
    ps: Floats,
    transition: Floats,
    share: Floats,
    mixed_weights: Floats,
    mixed_xs: Floats,
    mixed_ps: Floats,
) -> None:
    """Begin a step of an interacting multiple-model estimator.

    Parameters
    ----------
    weights, xs, ps
        Probabilities of the m models, shape (m,); their states (m, n) and covariances (m, n, n).
    transition
        Chance that model i is followed by model j in this step, shape (m, m); each row sums to 1.
    share
        Room to work in, shape (m,).
    mixed_weights, mixed_xs, mixed_ps
        What the step begins with, in the shapes of the first three; written.
    """
    m = len(weights)
    for j in range(m):
        total = 0.0
        for i in range(m):
            share[i] = transition[i, j] * weights[i]
            total += share[i]
        for i in range(m):  # a model that nothing leads to keeps what it had
            share[i] = share[i] / total if total > 0.0 else (1.0 if i == j else 0.0)
        mixed_weights[j] = total
        merge(share, xs, ps, mixed_xs[j], mixed_ps[j])


@compiled
def weigh(weights: Floats, log_likelihoods: Floats) -> float:
    """Move the models' probabilities by what each said of the measurement; both shape (m,).

    Weights are changed and sum to 1 afterwards. Gives the log likelihood of the measurement under all
    models together. A model of weight 0 stays there.
    """
    best = -math.inf
    for i in range(len(weights)):
        if weights[i] > 0.0:
            best = max(best, log_likelihoods[i])
    total = 0.0
    for i in range(len(weights)):
        if weights[i] > 0.0:
            weights[i] *= math.exp(log_likelihoods[i] - best)
            total += weights[i]
    for i in range(len(weights)):
        weights[i] /= total
    return best + math.log(total)
