"""Interacting multiple models: what filters that explain the same truck do together.

Before a step, the weight that comes over from one filter to another brings its state along (``merge``);
after it, each weight moves by what its filter said of the reading (``weigh``).

Source: Blom and Bar-Shalom 1988, from memory; ``tests/models/test_published_filter.py`` holds it against
filterpy.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from models.compiled import compiled


@compiled
def merge(
    share: float,
    other_x: NDArray[np.float64],
    other_cov: NDArray[np.float64],
    x: NDArray[np.float64],
    cov: NDArray[np.float64],
) -> None:
    """Put one normal distribution in place of two, with the mean and covariance they have together.

    Parameters
    ----------
    share
        Weight of the other in the two [-].
    other_x, other_cov
        Its state, shape (n,), and covariance, shape (n, n).
    x, cov
        State and covariance of the one that stays, in the same shapes; changed in place.
    """
    apart = np.empty(len(x))
    for row in range(len(x)):
        apart[row] = other_x[row] - x[row]
        x[row] += share * apart[row]
    for row in range(len(x)):
        for column in range(len(x)):
            both = share * other_cov[row, column] + (1.0 - share) * cov[row, column]
            cov[row, column] = both + share * (1.0 - share) * apart[row] * apart[column]


@compiled
def weigh(weights: NDArray[np.float64], log_likelihoods: NDArray[np.float64]) -> None:
    """Move the models' probabilities by what each said of the reading; both shape (m,).

    Weights are changed and sum to 1 afterwards. A model of weight 0 stays there, whatever it says.
    """
    best = -math.inf
    for place in range(len(weights)):
        if weights[place] > 0.0:
            best = max(best, log_likelihoods[place])
    total = 0.0
    for place in range(len(weights)):
        if weights[place] > 0.0:
            weights[place] *= math.exp(log_likelihoods[place] - best)
            total += weights[place]
    for place in range(len(weights)):
        weights[place] /= total
