"""The line to the cooler: what its temperature says of flow.

While something flows it is as hot as the sump. While nothing does it is somewhere between air and sump, by a
leak that nobody knows. A healthy valve rightly lets nothing flow in cold fluid, so how hot the sump must be
decides what a cool line means. Where the line is all there is to read, that is reckoned from the heat put in
since flow was last seen: by the filter of a shut valve, which runs on without reading.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from models import priors
from models.circuit import AIR_C, COOLER_LINE, RPM, SHIFT, CircuitParams
from models.compiled import compiled

FLOWS_FROM = 0.9
"""Probability of a healthy truck from which flow seen in the cooler's line sets a shut valve's filter back
to it [-]: such a fault could only have begun since. Own choice."""


@compiled
def shows_flow(params: CircuitParams, line_c: float, shut_c: float, air_c: float) -> bool:
    """Say whether a line is as hot as the sump could be, and hot enough for an open valve.

    ``shut_c``: the sump, had nothing flowed [°C].
    """
    hot = line_c - air_c >= priors.FLOWS_SHARE * (shut_c - air_c)
    return bool(hot and line_c >= params.open_c - priors.FLOWS_BELOW_K)


@compiled
def standing_k(
    params: CircuitParams,
    duty: NDArray[np.float64],
    read_c: float,
    healthy_c: float,
    shut_c: float,
    shut_var: float,
    set_out_c: float,
) -> float:
    """Error of a reading of the line where a healthy valve may let nothing flow [K].

    One for all hypotheses: a line that rightly stands still speaks neither for nor against any.

    Parameters
    ----------
    params, duty
        Of the truck; means over the window, shape (``DUTY``,).
    read_c
        Reading of the fluid, wherever it is read: the sump is no colder [°C].
    healthy_c, shut_c, shut_var
        Sump as the healthy filter has it, and as it would be had nothing flowed [°C], with variance [K²].
    set_out_c
        Sump when the line last told it [°C].
    """
    opens_c = params.open_c + priors.OPENS_LATE_K
    variance = priors.SD[SHIFT] ** 2
    shut = _still_shut(read_c - opens_c, variance)
    if params.site == COOLER_LINE:
        risen_k = priors.RISE_UNSURE * max(0.0, shut_c - set_out_c)
        shut = min(shut, _still_shut(shut_c - opens_c, variance + shut_var + risen_k * risen_k))
    if duty[RPM] < 1.0:
        shut = 1.0  # nothing is pumped
    # The spread of a mixture: the line stands, anywhere between air and fluid, or it follows.
    still_k: float = priors.STILL_SHARE * math.sqrt(shut) * max(0.0, healthy_c - duty[AIR_C])
    return still_k


@compiled
def _still_shut(above_k: float, variance: float) -> float:
    """Probability that a healthy valve is still shut so far above its opening [-]."""
    shut: float = 0.5 * math.erfc(above_k / math.sqrt(2.0 * variance))
    return shut
