"""After a cold night fluid, coolant and outside air agree: a free check of the fluid's sensor."""

from __future__ import annotations

from models.layout import Layout


class Offset(Layout):
    """State: what the fluid's sensor showed above the others after cold nights [K]."""

    nights: int
    sum_k: float
    sum_squares_k2: float
