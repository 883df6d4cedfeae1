"""Rows and squares of numbers copied and cleared by loops.

Whole-array assignment does the same and checks shapes; compiled, each such line costs a tenth of a second
at the first start.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.compiled import compiled


@compiled
def copy_row(into: NDArray[np.float64], source: NDArray[np.float64]) -> None:
    """Copy a row, shape (n,)."""
    for place in range(len(into)):
        into[place] = source[place]


@compiled
def copy_square(into: NDArray[np.float64], source: NDArray[np.float64]) -> None:
    """Copy a square, shape (n, n)."""
    for row in range(len(into)):
        for column in range(len(into)):
            into[row, column] = source[row, column]


@compiled
def clear_cross(square: NDArray[np.float64], place: int) -> None:
    """Set the row and the column of a place to zero."""
    for other in range(len(square)):
        square[place, other] = 0.0
        square[other, place] = 0.0
