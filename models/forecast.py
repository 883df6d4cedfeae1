r"""When something that grows with driving reaches a limit, from what the last weeks cost.

**Pace.** The use of a week is taken for a level that wanders plus noise that averages out (a local
level model: a random walk in noise). Its best estimate is a weighted mean in which recent weeks
count more; the weights follow from how much the level wanders and how noisy weeks are, and do not
depend on the data, so that more use on any day never means a lower pace. Whole weeks, so that
weekends do not matter; the newest ends with yesterday.

**Spread.** The mean use over the next :math:`w` weeks differs from the pace with relative variance

.. math:: v(w) = k\left[\frac{s}{w} + p + \frac{g\,w}{1 + w/w_0}\right]

for the noise of single weeks, the level not being known exactly, and the level wandering on, within
bounds. :math:`k` is how restless this truck was against what is assumed of all.

**Crossing.** Use never goes back, so the limit is reached by :math:`t` exactly when the use up to
:math:`t` is at least what remains, :math:`R`. With a log-normal mean use the quantile at :math:`z` solves

.. math:: \ln(\bar u t) + z\sqrt{\ln(1 + v(t))} = \ln R

The left side rises with :math:`t` for all :math:`|z| < 3`, since with :math:`c = \sqrt{\ln(1+v)}`
:math:`|\mathrm{d} c/\mathrm{d}\ln t| \le \tfrac12 v/[(1+v)c] < 0.32`. So there is one crossing, and
more to go is never sooner. No random numbers.

Source: local level model, Harvey, Forecasting, Structural Time Series Models and the Kalman Filter
(1989), ch. 2 (from memory). The constants are our own, tuned on simulated trucks
(``tests/models/test_forecast_calibration.py`` says how well they do on others).
"""

from __future__ import annotations

import math

from models.compiled import compiled
from models.habits import DAYS, Ring

HORIZON_DAYS = 5 * 365.25
"""How far ahead is looked [d]; later is "not within five years"."""

Z_80 = 1.2815515655446004
"""Standard normal quantile of 90 % [-]: 8 in 10 lie within it on both sides."""

WEEK_DAYS = 7
WEEK_VARIANCE = 0.20
"""Variance of one week's use relative to the level squared [-]: holidays, time in the shop. Doubled, the
last week counts a quarter instead of a third, and intervals at two weeks' distance widen by a fifth."""

WANDER = 0.03
"""Variance that the level gains a week, relative [1/week]: what jobs and seasons do. Doubled, the last
week counts 0.42 instead of 0.32."""

DRIFT = 0.018
DRIFT_WEEKS = 26.0
"""How the mean of the coming weeks drifts off, relative variance [1/week], and the weeks [week] after
which it does so more slowly: nobody's work wanders without bounds. The drift doubled, the interval at
three months' distance widens by a third; the weeks doubled, by a tenth."""

PRIOR_VARIANCE = 1.0
"""Relative variance of the assumed pace of a truck not yet seen [-]: it may be a third or three times."""

RESTLESS_WEEKS = 12.0
"""How many weeks the assumed restlessness is worth [week]. Doubled, intervals widen by a tenth: trucks
with calm weeks are believed less."""

_STEPS = 50


@compiled
def use_on(ring: Ring, newest_day: int, first_day: int, day: int) -> float:
    """Give the use of a day; none before the first, after the newest, or where it came out negative."""
    if day < first_day or day > newest_day or day <= newest_day - DAYS:
        return 0.0
    used = float(ring[day % DAYS])
    if not used > 0.0:  # nor if it is not a number
        return 0.0
    return used


@compiled
def pace(
    ring: Ring, newest_day: int, first_day: int, today: int, prior_per_day: float
) -> tuple[float, float, float]:
    """Weigh the last weeks.

    Parameters
    ----------
    ring
        Use by day modulo ``DAYS`` [any unit], shape (84,).
    newest_day, first_day, today
        Days since 1970 [d]: the newest and first of the ring, and now. The first day, which is
        not a whole one, and today are left out.
    prior_per_day
        Use assumed of a truck not yet seen [unit/d].

    Returns
    -------
    tuple of float
        Pace [unit/d], its relative variance [-], restlessness [-] (1: as is assumed of all).
    """
    days = max(0, min(today - first_day - 1, DAYS - 1))
    level, variance = prior_per_day, PRIOR_VARIANCE
    surprise, weeks = 0.0, 0
    blocks = (days + WEEK_DAYS - 1) // WEEK_DAYS
    for block in range(blocks - 1, -1, -1):
        length = min(WEEK_DAYS, days - WEEK_DAYS * block)
        last = today - 1 - WEEK_DAYS * block
        used = 0.0
        for day in range(last - length + 1, last + 1):
            used += use_on(ring, newest_day, first_day, day)
        used /= length
        variance += WANDER * length / WEEK_DAYS
        expected = variance + WEEK_VARIANCE * WEEK_DAYS / length
        gain = variance / expected
        if block < blocks - 1:
            scale = max(level, used, 1e-300)
            surprise += ((used - level) / scale) ** 2 / expected
            weeks += 1
        level += gain * (used - level)
        variance *= 1.0 - gain
    restless = (RESTLESS_WEEKS + surprise) / (RESTLESS_WEEKS + weeks)
    return level, variance, restless


@compiled
def days_until(
    remaining: float, per_day: float, known: float, restless: float, z: float
) -> float:
    """Days until ``remaining`` [unit] is used up.

    Parameters
    ----------
    remaining
        What is left [unit]; nothing left: 0 d.
    per_day, known, restless
        As ``pace`` gives them [unit/d, -, -].
    z
        Standard normal quantile of the use [-]: ``Z_80`` gives the early end, 0 the median,
        ``-Z_80`` the late end.

    Returns
    -------
    float
        Days from the midnight before ``today`` [d]; infinite beyond ``HORIZON_DAYS``.
    """
    if remaining <= 0.0:
        return 0.0
    if per_day <= 0.0 or _log_use(HORIZON_DAYS, per_day, known, restless, z) < math.log(
        remaining
    ):
        return math.inf
    sought = math.log(remaining)
    low, high = 0.0, HORIZON_DAYS
    for _ in range(_STEPS):
        middle = 0.5 * (low + high)
        if _log_use(middle, per_day, known, restless, z) >= sought:
            high = middle
        else:
            low = middle
    return high


@compiled
def _log_use(days: float, per_day: float, known: float, restless: float, z: float) -> float:
    weeks = days / WEEK_DAYS
    drift = DRIFT * weeks / (1.0 + weeks / DRIFT_WEEKS)
    spread = restless * (WEEK_VARIANCE / weeks + known + drift)
    return math.log(per_day * days) + z * math.sqrt(math.log1p(spread))
