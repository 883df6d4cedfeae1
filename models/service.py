"""The service record as the models see it: what was done to a truck, and when."""

from __future__ import annotations

from typing import Any

import numpy as np

SERVICE_KINDS = (
    "register",
    "install",
    "exchange",
    "pan_drop",
    "filter",
    "top_up",
    "fluid_change",
    "gearbox",
    "circuit",
    "sample",
)
"""What an entry may tell of; an entry names one by its place here."""

#: One entry; numbers that were not given are NaN.
ENTRY: np.dtype[np.void] = np.dtype(
    [
        ("time_ms", "i8"),
        ("kind", "i8"),
        ("epoch", "i8"),  # row of the parameters that hold from this entry on
        ("volume_l", "f8"),  # fluid replaced or added
        ("odometer_km", "f8"),
        ("life_used", "f8"),  # what the new fluid had used already
        ("antioxidant", "f8"),  # laboratory: share left, with its standard deviation
        ("antioxidant_sd", "f8"),
        ("acid_rise_mg_g", "f8"),  # acid number over the new fluid's [mg KOH/g]
        ("acid_limit_mg_g", "f8"),
        ("oxidation", "f8"),  # infrared oxidation as a share of the limit
        ("viscosity_change", "f8"),  # share of the new fluid's
        ("lab_sd", "f8"),  # spread of the last three, as a share of life; NaN: the default
    ]
)
"""Records in order of time; of one time in the order in which they were entered."""


def apply(params: Any, before: Any, state: Any, entry: Any) -> None:
    """Count one entry: ``params`` holds from it on, ``before`` held until then; ``state`` is changed."""
    raise NotImplementedError((params, before, state, entry))
