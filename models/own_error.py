"""How far off the balance of one truck is: learned from its sound driving, as a share of what is stated.

What is stated of the error of heat and model has to do for the worst truck of all. Most are foretold twice
as well, some worse; taken as stated for all of them, a fault of the first is drowned and the second is
accused. Two errors are learned: that of a window, by what windows and blocks of windows were off (a block
off by more than its windows says that neighbours err together), and that of the heat that lasts, by the heat
which the healthy filter holds to be untold (``models.circuit.EXTRA``).
"""

from __future__ import annotations

import math

from models.compiled import compiled
from models.layout import Layout

BLOCK = 16
"""Windows of a block [-]: some seven minutes; own choice."""

WORTH, KEPT = 60.0, 2400.0
"""Windows that the stated error is worth, and over which the learned one is an average [-]: half an hour and
some 19 hours of driving; own choice."""

LASTING_WORTH, LASTING_KEPT = 300.0, 4000.0
"""The same of what lasts [-]: neighbouring windows say nearly the same of it. With a fifth of the first, an
even half hour makes a truck too sure of itself: on tuning trucks starved coolers are seen twice as often in
vain."""

WILDEST = 6.0
"""Most that one window or block counts for, as a share of what is stated [-]; own choice."""

LEAST, MOST = 0.1, 4.0
"""Least and most of the stated variance that is learned [-]; own choice."""

LEAST_SEEN = 0.15
"""Least share of the untold heat that readings are taken to show [-]: less is divided by no further."""


class OwnError(Layout):
    """State: variances as shares of what is stated, less 1; all zero: nothing is known but that."""

    window: float  # by single windows
    windows: float
    block: float  # by blocks
    blocks: float
    total: float  # of the block that is being filled, in standard deviations [-]
    filled: int  # its windows
    lasting: float
    lasting_windows: float


@compiled
def window_scale(own: OwnError) -> float:
    """Give the standard deviation of a window's error as a share of what is stated [-]."""
    return math.sqrt(_held(max(own.window, own.block)))


@compiled
def lasting_scale(own: OwnError) -> float:
    """Give the standard deviation of the heat's lasting error as a share of what is stated [-]."""
    return math.sqrt(_held(own.lasting))


@compiled
def learn_window(own: OwnError, off: float) -> None:
    """Take in how far off a window was, in standard deviations scaled by ``window_scale`` [-]."""
    used = _held(max(own.window, own.block))
    own.windows = min(KEPT, own.windows + 1.0)
    seen = min(WILDEST, off * off) * used - 1.0
    own.window += (seen - own.window) / (WORTH + own.windows)
    own.total += off
    own.filled += 1
    if own.filled == BLOCK:
        own.blocks = min(KEPT / BLOCK, own.blocks + 1.0)
        seen = min(WILDEST, own.total * own.total / BLOCK) * used - 1.0
        own.block += (seen - own.block) / (WORTH / BLOCK + own.blocks)
        begin_block(own)


@compiled
def learn_lasting(own: OwnError, untold_kw: float, variance: float, stated_kw: float) -> None:
    """Take in how much heat was untold.

    A filter draws what it holds towards zero, the more the less its readings show. What it was before is
    had back by moments: of ``u = k (U + e)``, with ``k`` the share that is seen and the variance of ``e``
    known from that, the variance of ``U`` is ``u²/k² - s²(1-k)/k``.

    Parameters
    ----------
    own
        Changed.
    untold_kw, variance
        As the healthy filter has it [kW], with the variance of that [kW²].
    stated_kw
        Standard deviation that had been stated of it, not scaled [kW].
    """
    stated = stated_kw * stated_kw
    used = stated * _held(own.lasting)
    seen = max(LEAST_SEEN, 1.0 - variance / used)
    share = (untold_kw * untold_kw / seen - used * (1.0 - seen)) / (seen * stated)
    own.lasting_windows = min(LASTING_KEPT, own.lasting_windows + 1.0)
    beyond = max(-WILDEST, min(WILDEST, share)) - 1.0
    own.lasting += (beyond - own.lasting) / (LASTING_WORTH + own.lasting_windows)


@compiled
def begin_block(own: OwnError) -> None:
    """Begin a block anew: after a gap the last windows are no neighbours."""
    own.total = 0.0
    own.filled = 0


@compiled
def _held(beyond: float) -> float:
    """Variance as a share of what is stated, within what is believed [-]."""
    return min(MOST, max(LEAST, 1.0 + beyond))
