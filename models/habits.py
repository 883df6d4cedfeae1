"""A truck's habits: what its days cost, and what a kilometre or an hour of running costs its fluid."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from models.layout import Layout

DAYS = 84
"""Days remembered one by one [d]: twelve weeks."""

Ring = Annotated[NDArray[np.float64], DAYS]


class HabitParams(Layout):
    """What is assumed of a truck of which little has been seen."""

    equivalent_s_per_km: float
    equivalent_s_per_run_s: float


class Habits(Layout):
    """State: what the last days cost, by day (UTC) modulo ``DAYS``, and sums over all that was seen."""

    day: int  # newest day, in days since 1970
    first_day: int
    equivalent_s: Ring
    km: Ring
    seen_equivalent_s: float
    seen_km: float
    seen_run_s: float
