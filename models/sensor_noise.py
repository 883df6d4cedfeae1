"""A noisy sensor: readings scatter about their neighbours as no temperature does.

What moves a temperature moves it over several readings; noise is new at each. Reading by reading the two
explanations are weighed (a CUSUM of clipped log likelihood ratios, so that no few readings decide).
"""

from __future__ import annotations

import math

from models.compiled import compiled
from models.layout import Layout

FAULTY_SD_K = 4.0
"""Scatter of a faulty sensor [K], one standard deviation. Own choice; half of it is still told."""

MOST_UP = 0.7
MOST_DOWN = -1.5
"""Most that one reading may move the log odds [-]: some twenty rough ones in a row raise an alarm, one smooth
one takes back two. Own choice; doubled upwards, ten do, and a bad minute on a hill may."""

LEAST = -10.0
MOST = 10.0
"""Bounds of the log odds [-]: a sensor may break at any time, and be mended. Own choice."""

LONGEST_SPAN_S = 120.0
"""Neighbours further apart tell nothing of noise [s]. Own choice."""

OWN_READINGS = 500.0
"""Readings over which a truck's own scatter is learned [-]. Own choice."""

OWN_MOST = 1.6
"""The class's scatter is given way to by at most this factor [-], so that noise that grows for days is not
learned as the truck's own. Own choice."""


USUAL_K = 0.45
USUAL_K_S = 0.012
FAST_USUAL_K_S, BUSY_USUAL_K_S = 0.04, 0.1
"""Scatter of a class, sensors of whole degrees among them [K], and what real motion adds for each second
between readings [K/s]: in the sump, and where the fluid swings with the load; there more where that changes.
From simulated trucks; doubled, a scatter of 2 K is not told; without the last, stop-and-go traffic in the
frost, a reading each half minute, is taken for noise."""


class Noise(Layout):
    """State: log odds of noise, and the truck's own scatter."""

    started: int
    log_odds: float
    own_k: float  # mean size of a residual while healthy [K]
    shown_k: float  # the same over the last readings, whatever they are [K]


@compiled
def _log_t3(value: float, scale: float) -> float:
    """Log density of Student's distribution with three degrees of freedom."""
    z = value / scale
    return -2.0 * math.log1p(z * z / 3.0) - math.log(scale) - 1.001


@compiled
def usual_k(fast: int, busy: bool, span_s: float) -> float:
    """Scatter of a healthy sensor [K] whose neighbours are so far apart [s].

    ``fast``: 1 beyond the sump; ``busy``: load or gear changed meanwhile.
    """
    if fast != 1:
        return USUAL_K + USUAL_K_S * span_s
    return USUAL_K + (BUSY_USUAL_K_S if busy else FAST_USUAL_K_S) * span_s


@compiled
def weigh_noise(noise: Noise, off_k: float, span_s: float, class_k: float) -> None:
    """Take a residual [K] of neighbours ``span_s`` apart; ``class_k`` is what the class shows [K]."""
    if math.isnan(off_k) or span_s > LONGEST_SPAN_S:
        return
    if noise.started == 0:
        noise.started = 1
        noise.log_odds = LEAST
        noise.own_k = class_k
    size = abs(off_k)
    noise.shown_k += (size - noise.shown_k) / 20.0
    scale = max(class_k, min(OWN_MOST * class_k, noise.own_k))
    wide = math.sqrt(FAULTY_SD_K * FAULTY_SD_K + scale * scale)
    faulty = -0.5 * (size / wide) ** 2 - math.log(wide) - 0.919
    moved = max(MOST_DOWN, min(MOST_UP, faulty - _log_t3(size, scale)))
    noise.log_odds = max(LEAST, min(MOST, noise.log_odds + moved))
    if noise.log_odds < 0.5 * LEAST:
        noise.own_k += (size - noise.own_k) / OWN_READINGS
