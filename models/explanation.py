"""One explanation of a truck's heat balance: its scales, learned window by window, and how well it does.

A small Kalman filter over the scales of the heat made, of the heat lost through the case and of the heat
carried off by the cooler; explanations differ only in the range the last may have.
"""

from __future__ import annotations

import math

from models.compiled import compiled
from models.layout import Layout

TEMPER = 0.5
"""Share of a window's log likelihood that is believed: neighbouring windows share their errors [-].
Doubling it halves the delay and squares the false-alarm odds."""

LARGEST_STEP = 3.0
"""Most that one window may move an explanation behind the best one [-], in log odds, so that one wild
reading decides nothing."""


class Hypothesis(Layout):
    """State: one explanation, its scales and their covariance."""

    theta: float
    alpha: float
    kappa: float
    tt: float
    ta: float
    tk: float
    aa: float
    ak: float
    kk: float
    log_weight: float


@compiled
def prior(hypothesis: Hypothesis, kappa: float, kappa_sd: float, log_weight: float) -> None:
    """Begin as the class of the truck has it, with the cooler's share of this explanation."""
    hypothesis.theta = 1.0
    hypothesis.alpha = 1.0
    hypothesis.kappa = kappa
    hypothesis.tt = 0.30**2
    hypothesis.aa = 0.25**2
    hypothesis.kk = kappa_sd**2
    hypothesis.ta = 0.0
    hypothesis.tk = 0.0
    hypothesis.ak = 0.0
    hypothesis.log_weight = log_weight


@compiled
def update(
    hypothesis: Hypothesis,
    rise: float,
    made: float,
    lost: float,
    carried: float,
    noise_var: float,
    kappa_low: float,
    kappa_high: float,
) -> float:
    """Take one window in; give its log likelihood under this hypothesis."""
    # Scales wander a little: loads differ, fins get dirty and are washed.
    hypothesis.tt += 0.015**2
    hypothesis.aa += 0.005**2
    hypothesis.kk += 0.005**2
    pt = hypothesis.tt * made - hypothesis.ta * lost - hypothesis.tk * carried
    pa = hypothesis.ta * made - hypothesis.aa * lost - hypothesis.ak * carried
    pk = hypothesis.tk * made - hypothesis.ak * lost - hypothesis.kk * carried
    variance = made * pt - lost * pa - carried * pk + noise_var
    expected = hypothesis.theta * made - hypothesis.alpha * lost - hypothesis.kappa * carried
    innovation = rise - expected
    gt, ga, gk = pt / variance, pa / variance, pk / variance
    # A wild window may not drag the scales along.
    bounded = max(-3.0, min(3.0, innovation / math.sqrt(variance))) * math.sqrt(variance)
    hypothesis.theta = min(2.0, max(0.45, hypothesis.theta + gt * bounded))
    hypothesis.alpha = min(2.0, max(0.5, hypothesis.alpha + ga * bounded))
    hypothesis.kappa = min(kappa_high, max(kappa_low, hypothesis.kappa + gk * bounded))
    hypothesis.tt -= gt * pt
    hypothesis.ta -= gt * pa
    hypothesis.tk -= gt * pk
    hypothesis.aa -= ga * pa
    hypothesis.ak -= ga * pk
    hypothesis.kk -= gk * pk
    return -0.5 * (math.log(variance) + innovation * innovation / variance)


@compiled
def follow(hypothesis: Hypothesis, leader: Hypothesis) -> None:
    """An explanation nobody believes keeps the leader's scales of heat and case, not its cooler."""
    hypothesis.theta = leader.theta
    hypothesis.alpha = leader.alpha
    hypothesis.tt = leader.tt
    hypothesis.ta = leader.ta
    hypothesis.aa = leader.aa


@compiled
def log_sum(a: float, b: float) -> float:
    """Add two weights given by their logarithms."""
    high = max(a, b)
    return high + math.log(math.exp(a - high) + math.exp(b - high))


@compiled
def behind(log_best: float, log_own: float) -> float:
    """How far one window moves an explanation behind the best one: all pairs stay comparable."""
    return -min(LARGEST_STEP, TEMPER * (log_best - log_own))
