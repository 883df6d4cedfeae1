"""A frozen sensor: one value, to the last digit, for longer than this truck could rightly hold it.

Three witnesses. A fine sensor flickers: it never held a value for long before. Heat goes in or out, or the
coolant warms, so that the fluid must have moved. And after hours of standing the fluid has cooled: the
same value then, and still when the engine has run for a while, is as good as proof.
"""

from __future__ import annotations

import math

from models.compiled import compiled
from models.layout import Layout

START_LOG = -9.0
"""Log odds that a value which begins to hold is frozen [-]: about one hold in eight thousand. Own choice;
doubled in odds, an alarm comes some seconds sooner."""

FINE_K = 0.3
"""Smallest step of a sensor that flickers wherever it stands [K]: a coarser one may rest between two of its
steps for as long as the fluid does. Own choice."""

LEAST_HOLDS = 30
"""Holds seen before a truck's own longest counts [-]. Own choice."""

SHORTEST_LONGEST_S = 45.0
SHORTEST_READINGS = 4.0
"""The longest hold of a truck is taken as at least this [s, readings]. Own choice."""

PER_LENGTH = 1.5
"""Log odds for each further length of the longest hold [-]: holds die away at least as fast. Own choice."""

WINDOW_S = 300.0
"""Over so much running time it is asked how far the fluid must have moved [s]. Own choice."""

FORGET_S = 240.0
"""Time constant with which the circuit evens out a change of heat [s]; common practice, no source."""

MOTION_SHARE = 0.35
MOTION_SD_K = 1.5
"""How far the motion expected may be wrong, as a share of it and at least [-, K]. Own choice; with half the
share, two windows decide where now it takes three to six."""

COOLED_SHARE = 0.15
COOLED_SD_K = 2.0
"""The same for a fall while parked [-, K]. Own choice."""

LEAST_REST_S = 1800.0
LEAST_FALL_K = 8.0
"""A rest that is asked, and the fall to be expected over it [s, K]. Own choice."""

CONFIRMED_S = 60.0
"""How long the engine must run after a rest with the same value [s]: some gateways first send what they last
had. Own choice."""


class Hold(Layout):
    """State: the value that stands, for how long, and how much the fluid must have moved meanwhile."""

    started: int
    value_c: float
    since_ms: int
    run_s: float  # running time in the hold [s]
    readings: int
    longest_s: float  # longest hold that ended by itself [s]
    holds: int
    step_k: float  # smallest step ever seen [K]
    push_k: float  # what the change of heat since the window began would have moved [K]
    low_k: float
    high_k: float
    window_s: float
    usual_w: float
    coolant_low_c: float
    coolant_high_c: float
    motion_log: float  # log likelihood ratio by motion
    rest_log: float  # by a rest, once confirmed
    rest_due_log: float
    rest_run_s: float
    expected_k: float  # most that the fluid should have moved in the hold [K]
    log_odds: float


@compiled
def begin_hold(hold: Hold, value_c: float, now_ms: int, heat_w: float) -> None:
    """Another value: the hold before it was honest."""
    if hold.started == 1 and hold.readings > 0:
        step = abs(value_c - hold.value_c)
        if step > 1e-6 and (hold.step_k == 0.0 or step < hold.step_k):
            hold.step_k = step
        hold.holds += 1
        most = max(SHORTEST_LONGEST_S, 2.0 * hold.longest_s)
        hold.longest_s = max(hold.longest_s, min(hold.run_s, most))
    hold.started = 1
    hold.value_c = value_c
    hold.since_ms = now_ms
    hold.run_s = 0.0
    hold.readings = 1
    hold.motion_log = 0.0
    hold.rest_log = 0.0
    hold.rest_due_log = 0.0
    hold.rest_run_s = 0.0
    hold.expected_k = 0.0
    hold.log_odds = START_LOG
    begin_window(hold, heat_w)


@compiled
def begin_window(hold: Hold, heat_w: float) -> None:
    """Ask anew how far the fluid moves from here."""
    hold.push_k = 0.0
    hold.low_k = 0.0
    hold.high_k = 0.0
    hold.window_s = 0.0
    hold.usual_w = heat_w
    hold.coolant_low_c = math.nan
    hold.coolant_high_c = math.nan


@compiled
def move(hold: Hold, net_w: float, heat_w: float, capacity_j_k: float, dt_s: float) -> None:
    """Count what heat does to the fluid over a span [s] of running.

    ``net_w``: heat less what the case sheds, where the cooler plays no part [W]; NaN where it may: then only
    a change of the heat made, ``heat_w`` [W], is sure to move the fluid, and the circuit evens it out.
    """
    hold.run_s += dt_s
    hold.window_s += dt_s
    if hold.rest_due_log > 0.0:
        hold.rest_run_s += dt_s
    if math.isnan(net_w):
        hold.push_k += (heat_w - hold.usual_w) * dt_s / capacity_j_k
        hold.push_k *= math.exp(-dt_s / FORGET_S)
    else:
        hold.push_k += net_w * dt_s / capacity_j_k
    hold.low_k = min(hold.low_k, hold.push_k)
    hold.high_k = max(hold.high_k, hold.push_k)


@compiled
def see_coolant(hold: Hold, coolant_c: float) -> None:
    """Note how far the coolant moves, where the fluid must follow it."""
    if math.isnan(coolant_c):
        return
    if math.isnan(hold.coolant_low_c):
        hold.coolant_low_c = coolant_c
        hold.coolant_high_c = coolant_c
    hold.coolant_low_c = min(hold.coolant_low_c, coolant_c)
    hold.coolant_high_c = max(hold.coolant_high_c, coolant_c)


@compiled
def _normal_log(expected_k: float, step_k: float, share: float, least_k: float) -> float:
    """Log likelihood ratio of no motion at all, where so much [K] was expected."""
    above = expected_k - step_k
    if above <= 0.0:
        return 0.0
    z = above / (share * expected_k + least_k + step_k)
    return 0.5 * z * z


@compiled
def close_window(hold: Hold, coolant_share: float, heat_w: float) -> None:
    """Weigh a window of running in which the value stood still."""
    expected = hold.high_k - hold.low_k
    if not math.isnan(hold.coolant_low_c):
        expected = max(expected, coolant_share * (hold.coolant_high_c - hold.coolant_low_c))
    hold.expected_k = max(hold.expected_k, expected)
    hold.motion_log += _normal_log(expected, step_of(hold), MOTION_SHARE, MOTION_SD_K)
    begin_window(hold, heat_w)


@compiled
def step_of(hold: Hold) -> float:
    """Resolution of the sensor as far as it has shown it [K]."""
    return 1.0 if hold.step_k == 0.0 else min(1.0, hold.step_k)


@compiled
def rested(hold: Hold, fall_k: float) -> None:
    """The value is the same after a rest over which so much of a fall [K] was expected."""
    if fall_k < LEAST_FALL_K:
        return
    same = math.log(max(1.0, 0.3 * fall_k / step_of(hold)))
    ratio = _normal_log(fall_k, step_of(hold), COOLED_SHARE, COOLED_SD_K) + same
    hold.rest_due_log += ratio
    hold.rest_run_s = 0.0
    hold.expected_k = max(hold.expected_k, fall_k)


@compiled
def judge_hold(hold: Hold, period_s: float) -> None:
    """Put the witnesses together."""
    if hold.rest_due_log > 0.0 and hold.rest_run_s >= CONFIRMED_S and hold.readings >= 3:
        hold.rest_log += hold.rest_due_log
        hold.rest_due_log = 0.0
    flicker = 0.0
    if 0.0 < hold.step_k <= FINE_K and hold.holds >= LEAST_HOLDS:
        longest = max(hold.longest_s, SHORTEST_LONGEST_S, SHORTEST_READINGS * period_s)
        lengths = hold.run_s / longest
        if lengths > 1.0:
            flicker = math.log(1.0 + hold.holds) + PER_LENGTH * (lengths - 1.0)
    hold.log_odds = min(12.0, START_LOG + flicker + hold.motion_log + hold.rest_log)
