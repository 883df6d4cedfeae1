"""A straight fit kept as sums, so that stretches of readings can be put together, parted and fitted anew.

Readings ``y = J θ + e`` with independent errors of variance one are kept as the sums ``JᵀJ`` (its lower
half, row by row), ``Jᵀy``, ``yᵀy`` and their count. The first ``OWN`` columns are values that are fitted in
any case, with a prior around zero; of the others one at a time is asked whether it explains more. Least
squares by Cholesky, and the gain of one more column by its Schur complement: textbook, from memory;
``tests/models/test_least_squares.py`` holds it against NumPy.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from models.compiled import compiled

OWN = 7
COLUMNS = 12
RIGHT = COLUMNS * (COLUMNS + 1) // 2
"""Where ``Jᵀy`` begins among the sums."""

SQUARE, ROWS = RIGHT + COLUMNS, RIGHT + COLUMNS + 1
"""Where ``yᵀy`` and the count stand."""

SIZE = ROWS + 1


@compiled
def at(row: int, column: int) -> int:
    """Place of an entry of ``JᵀJ`` among the sums."""
    low, high = min(row, column), max(row, column)
    return high * (high + 1) // 2 + low


@compiled
def add_reading(sums: NDArray[np.float64], slopes: NDArray[np.float64], reading: float) -> None:
    """Add a reading [standard deviations] with its slopes, shape (``COLUMNS``,)."""
    for row in range(COLUMNS):
        for column in range(row + 1):
            sums[at(row, column)] += slopes[row] * slopes[column]
        sums[RIGHT + row] += slopes[row] * reading
    sums[SQUARE] += reading * reading
    sums[ROWS] += 1.0


@compiled
def factor(
    sums: NDArray[np.float64],
    prior: NDArray[np.float64],
    root: NDArray[np.float64],
    half: NDArray[np.float64],
) -> float:
    """Fit the own values.

    Parameters
    ----------
    sums
        Shape (``SIZE``,).
    prior
        What is known of the own values before, one over variance [-], shape (``OWN``,).
    root, half
        Set to the Cholesky root of the normal equations, shape (``OWN``, ``OWN``), and to what it makes
        of the right side, shape (``OWN``,).

    Returns
    -------
    float
        Sum of squares that is left, that of the prior among it [-].
    """
    left: float = sums[SQUARE]
    for row in range(OWN):
        for column in range(row + 1):
            entry = sums[at(row, column)]
            if row == column:
                entry += prior[row]
            for before in range(column):
                entry -= root[row, before] * root[column, before]
            if row == column:
                root[row, row] = math.sqrt(entry)
            else:
                root[row, column] = entry / root[column, column]
    _forward(root, sums[RIGHT : RIGHT + OWN], half)
    for row in range(OWN):
        left -= half[row] * half[row]
    return left


@compiled
def solve(
    root: NDArray[np.float64], half: NDArray[np.float64], own: NDArray[np.float64]
) -> None:
    """Set the own values, shape (``OWN``,), to the fit that ``factor`` has prepared."""
    for row in range(OWN - 1, -1, -1):
        rest = half[row]
        for after in range(row + 1, OWN):
            rest -= root[after, row] * own[after]
        own[row] = rest / root[row, row]


@compiled
def explained(
    root: NDArray[np.float64],
    half: NDArray[np.float64],
    since: NDArray[np.float64],
    column: int,
    prior: float,
) -> tuple[float, float]:
    """Say what one more value explains.

    Parameters
    ----------
    root, half
        As ``factor`` has set them for all readings.
    since
        Sums of those readings that the value acts on, shape (``SIZE``,).
    column
        Whose slopes it has; one of the own values' too, which then changes with those readings.
    prior
        One over its variance before [-].

    Returns
    -------
    tuple of float
        Its size by the fit [-], 0 where nothing shows it, and one over the variance of that [-]. The sum of
        squares falls by the first squared times the second; with the size given as 1, by twice the first
        less one, times the second.
    """
    mixed = np.empty(OWN)
    for row in range(OWN):
        mixed[row] = since[at(row, column)]
    _forward(root, mixed, mixed)
    known, shift = since[at(column, column)] + prior, since[RIGHT + column]
    for row in range(OWN):
        known -= mixed[row] * mixed[row]
        shift -= mixed[row] * half[row]
    if known <= 0.0:
        return 0.0, 0.0
    return shift / known, known


@compiled
def _forward(
    root: NDArray[np.float64], right: NDArray[np.float64], into: NDArray[np.float64]
) -> None:
    """Solve ``root x = right``; ``into`` may be ``right`` itself."""
    for row in range(OWN):
        rest = right[row]
        for before in range(row):
            rest -= root[row, before] * into[before]
        into[row] = rest / root[row, row]
