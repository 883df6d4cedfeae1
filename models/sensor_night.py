"""A biased or drifting sensor: what the fluid read above coolant and outside air after a night.

Two explanations are kept side by side, each a small Kalman filter. The sensor is healthy: its night
difference stays near this truck's own, which no sensor puts far from zero. Or it is off: by anything, and by
another amount each night. Steps that were seen between two readings move the same odds. One night is weak
evidence, for weather changes and engine heaters exist; two that agree are strong.
"""

from __future__ import annotations

import math

from models.compiled import compiled
from models.layout import Layout

PRIOR_LOG = -6.2
"""Log odds that a sensor is off when a truck is first seen [-]: one in five hundred. Own choice."""

NIGHT_LOG = -6.2
"""The same that it went off since the last night [-]: more often than sensors do, since wiring and plugs
count with them and an alarm needs 19 to 1 besides. Own choice; halved, some biases take a night more."""

RUNNING_LOG = -7.5
"""The same that it stepped, in an hour of readings [-]: once in some 1,800 h. Own choice."""

OWN_SD_K = 1.5
"""A healthy truck's own night difference, one standard deviation [K]: thermistors are good to one or two
kelvin (common practice, no source). Doubled, a bias of 6 K is not told."""

FAST_OWN_SD_K = 3.0
"""The same where the sensor is warm within seconds of the start, and the first reading may come late [K]."""

OFF_SD_K = 9.0
"""How far a faulty sensor may be off [K], one standard deviation. Own choice."""

WALK_K = 4.0
"""What a fault changes by from night to night [K]: drift. Own choice."""

NIGHT_SD_K = 1.7
"""What one night is off by itself [K] where coolant and air agree: heat left, sun, wind. Own choice."""

AIR_ALONE_SD_K = 4.5
COOLANT_ALONE_SD_K = 3.0
"""The same with one of them alone [K]. Own choice."""

LIKE_COOLANT = 0.7
"""Fluid that cooled in a truck lags outside air much as the coolant does, with little more or less mass:
share that the coolant has in what is expected of it [-]. Own choice."""

DISAGREE_SHARE = 0.35
"""Share of the difference of coolant and air that the fluid may be off by [-]: how far it follows which of
them is not known. Own choice; doubled, nights after a change of weather count for nothing."""

WILD_SHARE = 0.01
WILD_SD_K = 4.0
"""Nights that mislead though all seemed settled [-, K]: a warm hall, a start that nobody saw. Own choice;
doubled, one more night is needed where the difference is near 10 K."""

WARMS_K_S, FAST_WARMS_K_S = 0.1, 1.5
COOLANT_WARMS_K_S = 0.4
"""How fast fluid in the sump, fluid where the converter heats it at once, and coolant may warm once the
engine runs, one standard deviation [K/s]: a truck that sets off hard before it is read shows no night. Own
choice, after simulated trucks."""

STEP_SD_K = 1.5
"""How well the size of a step is known [K], one standard deviation. Own choice."""

SMALLEST_K = 3.0
"""A sensor that is off by less is no matter for an alarm [K]. Own choice."""

MOST_LOG = 8.0
"""Bound of the log odds [-]: two good nights must be able to take an alarm back. Own choice."""


class Nights(Layout):
    """State: the two explanations and their odds."""

    started: int
    own_k: float  # healthy: this truck's night difference, with its variance
    own_var: float
    off_k: float  # faulty: the same
    off_var: float
    log_odds: float
    counted: int
    shown_k: float  # newest night: off this truck's own by so much
    change_k: float  # newest night less the one before
    drifted: int  # nights in a row on which the difference grew the same way
    jumped: int  # 1: a step seen in the readings is what the odds rest on
    jump_k: float
    alone: int  # newest night: 1 coolant, 2 air alone to compare with, else 0


@compiled
def log_add(left: float, right: float) -> float:
    """Logarithm of the sum of two numbers given by their logarithms."""
    high = max(left, right)
    return high + math.log1p(math.exp(min(left, right) - high))


@compiled
def log_normal(value: float, variance: float) -> float:
    """Log density of the normal distribution around zero."""
    return -0.5 * (value * value / variance + math.log(variance)) - 0.918938533


@compiled
def open_nights(nights: Nights, own_sd_k: float) -> None:
    """Begin with what the class shows."""
    nights.started = 1
    nights.own_var = own_sd_k * own_sd_k
    nights.log_odds = PRIOR_LOG
    _expect_anything(nights)


@compiled
def _expect_anything(nights: Nights) -> None:
    """No fault stands: one that begins may be of any size."""
    nights.off_k = nights.own_k
    nights.off_var = nights.own_var + OFF_SD_K * OFF_SD_K
    nights.jumped = 0
    nights.drifted = 0


@compiled
def compare(fluid_c: float, coolant_c: float, air_c: float) -> tuple[float, float, int]:
    """Fluid less the others after a night [K], the variance of that [K²], and which was alone (or 0)."""
    if math.isnan(air_c):
        return fluid_c - coolant_c, COOLANT_ALONE_SD_K * COOLANT_ALONE_SD_K, 1
    if math.isnan(coolant_c):
        return fluid_c - air_c, AIR_ALONE_SD_K * AIR_ALONE_SD_K, 2
    apart = DISAGREE_SHARE * (coolant_c - air_c)
    variance = NIGHT_SD_K * NIGHT_SD_K + apart * apart
    other_c = LIKE_COOLANT * coolant_c + (1.0 - LIKE_COOLANT) * air_c
    return fluid_c - other_c, variance, 0


@compiled
def weigh_night(
    nights: Nights,
    fluid_c: float,
    coolant_c: float,
    air_c: float,
    fluid_warmed_k: float = 0.0,
    coolant_warmed_k: float = 0.0,
) -> None:
    """Take the readings after a night [°C], NaN where one is not there.

    ``fluid_warmed_k``, ``coolant_warmed_k``: by how much the engine may have warmed them before they were
    read, one standard deviation [K].
    """
    shown, night_var, alone = compare(fluid_c, coolant_c, air_c)
    if math.isnan(shown):
        return
    if shown > nights.own_k:
        night_var += fluid_warmed_k * fluid_warmed_k
    elif alone != 2:
        share = 1.0 if alone == 1 else LIKE_COOLANT
        night_var += (share * coolant_warmed_k) ** 2
    nights.alone = alone
    before_log = nights.log_odds
    nights.log_odds = log_add(before_log, NIGHT_LOG)
    if before_log < NIGHT_LOG + 2.3:
        _expect_anything(nights)
    else:
        nights.off_var += WALK_K * WALK_K
    healthy_var = nights.own_var + night_var
    settled = math.log(1.0 - WILD_SHARE) + log_normal(shown - nights.own_k, healthy_var)
    wild = math.log(WILD_SHARE) + log_normal(
        shown - nights.own_k, healthy_var + WILD_SD_K * WILD_SD_K
    )
    healthy = log_add(settled, wild)
    faulty = log_normal(shown - nights.off_k, nights.off_var + night_var)
    nights.log_odds = max(PRIOR_LOG, min(MOST_LOG, nights.log_odds + faulty - healthy))
    _learn(nights, shown, night_var, math.exp(settled - healthy))
    _clear_small(nights)


@compiled
def _clear_small(nights: Nights) -> None:
    """Call healthy a sensor that is back where it was: that it is off by less than matters is no fault."""
    apart = nights.off_k - nights.own_k
    if abs(apart) >= SMALLEST_K:
        return
    scale = math.sqrt(2.0 * (nights.off_var + nights.own_var))
    small = 0.5 * (
        math.erf((apart + SMALLEST_K) / scale) - math.erf((apart - SMALLEST_K) / scale)
    )
    left = math.log(max(1.0 - small, 1e-9)) - math.log1p(small * math.exp(nights.log_odds))
    nights.log_odds = max(PRIOR_LOG, nights.log_odds + left)


@compiled
def _learn(nights: Nights, shown: float, night_var: float, settled: float) -> None:
    """Move both filters by the night, the healthy one by as much as it was a settled night of no fault."""
    earlier = nights.shown_k
    nights.shown_k = shown - nights.own_k
    nights.change_k = nights.shown_k - earlier if nights.counted > 0 else 0.0
    same_way = nights.change_k * nights.shown_k > 0.0 and abs(nights.change_k) > 2.0
    nights.drifted = nights.drifted + 1 if same_way else 0
    gain = nights.off_var / (nights.off_var + night_var)
    nights.off_k += gain * (shown - nights.off_k)
    nights.off_var *= 1.0 - gain
    trust = settled / (1.0 + math.exp(nights.log_odds))
    gain = trust * nights.own_var / (nights.own_var + night_var)
    nights.own_k += gain * (shown - nights.own_k)
    nights.own_var *= 1.0 - gain
    nights.counted += 1


@compiled
def weigh_step(nights: Nights, step_k: float, evidence: float, span_s: float) -> bool:
    """Take the evidence of a step [K] between two readings ``span_s`` apart; say whether it is believed."""
    begun = RUNNING_LOG + math.log(span_s / 3600.0) + evidence
    if begun < -4.0 or abs(step_k) < SMALLEST_K:
        return False
    if begun > 0.0 and nights.log_odds > 0.0:
        nights.off_k += step_k  # it was off before
    elif begun > nights.log_odds:
        nights.off_k = nights.own_k + step_k
        nights.off_var = nights.own_var + STEP_SD_K * STEP_SD_K
    nights.log_odds = min(MOST_LOG, log_add(nights.log_odds, begun))
    if begun > 0.0:
        nights.jumped = 1
        nights.jump_k = step_k
    if abs(nights.off_k - nights.own_k) < SMALLEST_K:
        nights.log_odds = PRIOR_LOG  # it stepped back to where it was
        _expect_anything(nights)
    return begun > 0.0


@compiled
def forget_step(nights: Nights) -> None:
    """Take back a step that something else explains."""
    if nights.jumped == 1:
        nights.log_odds = PRIOR_LOG
        _expect_anything(nights)


@compiled
def p_off(nights: Nights) -> float:
    """Probability that the sensor is off by more than does not matter [-]."""
    if nights.started == 0 or abs(nights.off_k - nights.own_k) < SMALLEST_K:
        return 0.0
    return 1.0 / (1.0 + math.exp(-nights.log_odds))
