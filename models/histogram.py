"""Time at temperature in bins of 2 K: what a life can be costed from again."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from numpy.typing import NDArray

BINS = 120
"""Number of bins [-]."""

WIDTH_K = 2.0
"""Width of a bin [K]. Costing from the middle of a bin is off by 0.07 % at this width (77 kJ/mol)."""

FIRST_C = -40.0
"""Lower edge of the first bin [°C]; what is colder or hotter than all bins lies in the end bins."""

Bins = Annotated[NDArray[np.float64], BINS]
"""Seconds in each bin [s]."""
