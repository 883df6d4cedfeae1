"""The converter's heat on its way to the sump: late, and through the cooler first."""

from __future__ import annotations

import math

from models.compiled import compiled
from models.cooler import LEAST_FLOW, pumped

CONVERTER_SHARE = 0.7
"""Share of the converter's heat, as ``models.heat`` gives it, that trucks show [-]: the middle of what tuning
trucks show in a fit of their own. Without it one that tows through town seems to be cooled better than on the
highway."""

MOST_TAKEN = 0.8
"""Most of the converter's heat that the cooler takes before the sump sees it [-]; own choice."""

CONVERTER_LAG_S = 45.0
"""Time in which the usual flow changes the converter's fluid and cools its metal [s]; common practice, no
source: 30 to 60. Without it a launch seems to warm the sump at once, and then to be cooled too well."""


@compiled
def taken_w(converter_w: float, cooler_w_k: float, flow_w_k: float) -> float:
    """Heat of the converter that the cooler takes before the sump sees it [W].

    Parameters
    ----------
    converter_w
        Heat that comes from the converter [W].
    cooler_w_k
        Conductance of the cooler as it is, over fluid as hot as the sump [W/K].
    flow_w_k
        Capacity rate of the flow through the converter [W/K].
    """
    return converter_w * min(MOST_TAKEN, cooler_w_k / max(1.0, flow_w_k))


@compiled
def arriving(
    made_w: float, before_w: float, span_s: float, rpm: float, fluid_c: float
) -> tuple[float, float]:
    """Mean of the heat that comes from the converter in a span, and that at its end [W].

    A node of first order, slower where cold fluid flows less.

    Parameters
    ----------
    made_w
        Mean of the heat made in the converter [W].
    before_w
        Heat that came from it when the span began [W].
    span_s, rpm, fluid_c
        Length [s], engine speed [1/min], fluid [°C].
    """
    lag_s = CONVERTER_LAG_S / max(LEAST_FLOW, pumped(rpm, fluid_c))
    share = 1.0 - math.exp(-span_s / lag_s)
    left_w = before_w - made_w
    return made_w + left_w * share * lag_s / span_s, before_w - left_w * share
