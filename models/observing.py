"""What a window could tell of the cooler: when its flow was last proven, since when nobody can know.

A cold or idling truck is rightly without flow, and then a stuck valve looks the same as a healthy one. A
window can tell when the healthy cooler would have carried off more than the filter is unsure of; those that
can are put to Wald's test, flow against none.
"""

from __future__ import annotations

from models.compiled import compiled
from models.layout import Layout
from models.sequential import Sprt, decide, wald_bounds

TELLS_SD = 1.5
"""What the cooler must carry off in a window for it to tell, in deviations of what is foretold [-]."""

WRONG = 0.02
"""Share of proofs, either way, that may be wrong [-]; own choice. Squared, a proof takes twice as long."""

MOST_STEP = 1.5
"""Most that one window may add [-]."""

FADES = 0.9
"""What is left of the evidence gathered so far after a window that could not tell [-]; own choice."""

BLIND_MS = 600_000
"""Time without a window that could tell from which flow counts as not observable [ms]; own choice."""


class Observing(Layout):
    """State: times [Unix ms], 0 for never, and the evidence being gathered."""

    judged_ms: int  # last window that could tell
    proven_ms: int  # flow last proven
    unseen_since_ms: int  # not observable since, 0: it is
    flow: Sprt


@compiled
def observe_flow(
    observing: Observing,
    carried_k: float,
    off_k: float,
    sd_k: float,
    healthy: bool,
    now_ms: int,
) -> None:
    """Judge one window.

    Parameters
    ----------
    observing
        Changed in place.
    carried_k
        What the healthy cooler would have taken off the fluid in the window [K].
    off_k, sd_k
        Fluid above what was foretold of a healthy truck, and the standard deviation of that [K].
    healthy
        No fault is suspected.
    now_ms
        End of the window [Unix ms].
    """
    if observing.judged_ms == 0 and observing.unseen_since_ms == 0:
        observing.unseen_since_ms = now_ms
    if abs(carried_k) > TELLS_SD * sd_k:
        without = (off_k - carried_k) / sd_k
        step = 0.5 * (without * without - (off_k / sd_k) ** 2)
        upper, lower = wald_bounds(WRONG, WRONG)
        told = decide(observing.flow, max(-MOST_STEP, min(MOST_STEP, step)), upper, lower)
        observing.judged_ms = now_ms
        observing.unseen_since_ms = 0
        if told > 0 and healthy:
            observing.proven_ms = now_ms
        return
    observing.flow.log_ratio *= FADES
    if observing.unseen_since_ms == 0 and now_ms - observing.judged_ms > BLIND_MS:
        observing.unseen_since_ms = observing.judged_ms
