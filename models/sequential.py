"""Sequential tests that detectors share: how long to wait until what was seen is no accident.

A threshold here is not an opinion but a rate of false alarms. The Shiryaev-Roberts statistic R sums, over
every moment at which the change may have come, the likelihood ratio since then. As long as nothing has
changed, its expectation grows by 1 a window and by nothing else, so that the mean time until R reaches A is
at least A windows, whatever the distributions are.

What keeps that bound: ratios of proper densities; independent windows; log ratios multiplied by a factor
below 1, or cut off above. What breaks it: log ratios cut off below, residuals that hang together, and a
density of the healthy truck that is narrower than the truth.

Sources, from memory: Wald 1947; Shiryaev 1963; Roberts 1966; Siegmund 1985; Pollak 1985.
``tests/models/test_published_sequential.py`` holds them against tables.
"""

from __future__ import annotations

import math

from models.compiled import compiled
from models.layout import Layout


class Sprt(Layout):
    """State: log likelihood ratio of two named hypotheses since the last decision."""

    log_ratio: float


@compiled
def wald_bounds(false_alarm: float, miss: float) -> tuple[float, float]:
    """Give the log likelihood ratios at which to decide for and against the second hypothesis [-].

    The shares of wrong decisions [-] are then at most ``false_alarm / (1 - miss)`` and
    ``miss / (1 - false_alarm)``, and their sum at most that of the two asked for.
    """
    return math.log((1.0 - miss) / false_alarm), math.log(miss / (1.0 - false_alarm))


@compiled
def decide(sprt: Sprt, log_ratio: float, upper: float, lower: float) -> int:
    """Take one log likelihood ratio in: 1 for the second hypothesis, -1 for the first, 0 go on.

    After a decision the test begins again.
    """
    sprt.log_ratio += log_ratio
    decision = 0
    if sprt.log_ratio >= upper:
        decision = 1
    elif sprt.log_ratio <= lower:
        decision = -1
    if decision != 0:
        sprt.log_ratio = 0.0
    return decision


class ShiryaevRoberts(Layout):
    """State: the statistic R; all zero before anything is known."""

    log_one_plus: float  # ln(1 + R)
    age_s: float  # mean of how long ago the change came, if it came


@compiled
def suspect(state: ShiryaevRoberts, log_ratio: float, dt_s: float, chance: float) -> float:
    """Take one log likelihood ratio, changed over unchanged, in; give ln R, to be held against ``threshold``.

    Parameters
    ----------
    state
        Changed in place. Set it to zero after an alarm; or let the alarm stand until R is below a tenth of
        its threshold, which brings false alarms at most 1.11 times as often.
    log_ratio
        What the window says for the change [-]; 0 when it says nothing.
    dt_s
        Length of the window [s].
    chance
        That length as a share of the one ``threshold`` was asked for [-]: 1 for a usual window. 0 when the
        window could not have told, so that nobody is suspected for want of data.
    """
    none = math.exp(-state.log_one_plus)  # 1 / (1 + R)
    old = -math.expm1(-state.log_one_plus)  # R / (1 + R)
    grown = old + chance * none
    state.age_s = dt_s + (state.age_s * old / grown if grown > 0.0 else 0.0)
    log_r = -math.inf
    if grown > 0.0:
        log_r = log_ratio + state.log_one_plus + math.log(grown)
    state.log_one_plus = max(log_r, 0.0) + math.log1p(math.exp(-abs(log_r)))
    return log_r


@compiled
def threshold(false_alarms_per_h: float, window_s: float) -> float:
    """Give ln A: an alarm at R >= A is false at most so often an hour of windows of that length [s]."""
    return math.log(3600.0 / (false_alarms_per_h * window_s))


@compiled
def odds_threshold(false_alarms_per_h: float, window_s: float, hazard: float) -> float:
    """Give the log odds of changed against unchanged at which an alarm is false at most so often.

    Where a change is taken to come with chance ``hazard`` in a window, odds are hazard times R: Bayes says
    how likely, this says how often in vain. It holds for several kinds of change together (``hazard`` the
    sum of theirs, the odds those of all against none), and when the way back is taken to be at least as
    likely as the way there. Where it is not, odds creep up by themselves while nothing can be told.
    """
    return math.log(hazard) + threshold(false_alarms_per_h, window_s)
