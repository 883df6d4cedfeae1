r"""How sure an account is: an 80 % band about its best estimate, and what makes it wide.

The logarithm of the life that heat has used is taken to be normal. Its causes are independent:

- how long the fluid lasts at its reference temperature: the fluid's own spread, or what is left of it
  after laboratory samples,
- its activation energy: everything measured costed again with the exponent one standard deviation up and
  down,
- the bias of the fluid's sensor: the same with all temperatures moved by the posterior of the cold-soak
  check,
- what it aged while parked, and while nobody saw it running: shares of those estimates.

The band lies about the account costed with the sensor's bias taken out, and is widened to hold the best
estimate, which is the account as the sensor told it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

from models.account import Account, AccountParams, stretch, unseen_equivalent_s
from models.ageing import AgeingParams, ln_rate
from models.cold_soak import offset_posterior
from models.compiled import compiled
from models.fill import scale_sd
from models.heat_sums import Heat, recost_heat_s
from models.histogram import Bins, recost_s
from models.readings import BAND_SDS

SOAK_SD = 0.3
"""How far what a parked truck's fluid has aged may be off, one standard deviation [-]. Own choice: about
the effect of outside air wrong by 20 K; doubled, the band of a truck that is often parked hot is a
little wider."""

UNSEEN_SD = 0.5
"""The same of unseen running, costed by the truck's habits [-]. Own choice: one trip may be a tow or empty;
doubled, half a life unseen makes a band of a factor of 2 on either side."""

CARRIED_SD = 0.2
"""The same of what the fluid brought along: as somebody said, or by the account of another fluid [-]. Own
choice; doubled, the band of a truck registered half-way is up to twice as wide."""

_UNSEEN_C = 85.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Causes:
    """What makes a band wide: shares of the variance [-], in all 1, or 0 where nothing is used yet."""

    life: float = 0.0
    activation_energy: float = 0.0
    sensor: float = 0.0
    soak: float = 0.0
    unseen: float = 0.0
    brought_along: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A life used [-] with its 80 % band; ``low <= best <= high``."""

    low: float
    best: float
    high: float
    causes: Causes


HELP = {
    "life": "how long this fluid lasts: a laboratory sample tells more than anything else",
    "activation_energy": "how much faster this fluid ages when it is hotter: a chart or an "
    "activation energy that its supplier vouches for",
    "sensor": "how true the fluid's sensor reads: a few nights parked, with outside air and coolant "
    "in the first samples after, check it",
    "soak": "what the fluid aged while parked hot: outside air in the samples before key-off",
    "unseen": "driving that was not seen: a gateway that keeps its samples and sends them later",
    "brought_along": "what the fluid had used before: a laboratory sample, or the next exchange",
}
"""For each cause what is in doubt and what would tighten it, in words."""


def interval(params: AccountParams, account: Account) -> Interval:
    """Give the band of an account.

    Parameters
    ----------
    params, account
        Records of the truck; not changed.

    Returns
    -------
    Interval
        Of the life used at the newest sample.
    """
    low, best, high, *variances = (float(one) for one in _band(params, account))
    total = sum(variances)
    shares = [one / total if total > 0.0 else 0.0 for one in variances]
    names = [field.name for field in fields(Causes)]
    return Interval(
        low=low, best=best, high=high, causes=Causes(**dict(zip(names, shares, strict=True)))
    )


@compiled
def _band(
    params: AccountParams, account: Account
) -> tuple[float, float, float, float, float, float, float, float, float]:
    """Give low, best and high [-], then the variance of the raw life [-] by each of ``Causes``."""
    fill = account.filling
    carried, best = fill.carried, account.life_used
    off_k, off_sd_k = offset_posterior(account.offset)
    measured = account.heat.equivalent_s + account.heat.equivalent_rest
    parked = account.soak.equivalent_s
    unseen = unseen_equivalent_s(params, account)
    heat_pace, soak_pace = _paces(params, account, -off_k, 1.0)
    running = (measured + unseen) * heat_pace
    total = running + parked * soak_pace
    per_s = math.exp(fill.scale_ln) / params.reference_life_s
    energy, sensor = 0.0, 0.0
    if total > 0.0:
        sure = params.exponent_sd
        energy = _half_swing(
            measured + unseen,
            parked,
            _paces(params, account, -off_k, 1.0 + sure),
            _paces(params, account, -off_k, 1.0 - sure),
        )
        sensor = _half_swing(
            measured + unseen,
            parked,
            _paces(params, account, off_sd_k - off_k, 1.0),
            _paces(params, account, -off_sd_k - off_k, 1.0),
        )
    by_life = (per_s * total * scale_sd(fill, params.ln_life_sd)) ** 2
    by_energy = (per_s * total * energy) ** 2
    by_sensor = (per_s * total * sensor) ** 2
    by_soak = (per_s * parked * soak_pace * SOAK_SD) ** 2
    by_unseen = (per_s * unseen * heat_pace * UNSEEN_SD) ** 2
    by_carried = (carried * CARRIED_SD) ** 2
    raw = carried + per_s * total
    width = 0.0
    if raw > 0.0:
        variance = by_life + by_energy + by_sensor + by_soak + by_unseen + by_carried
        width = BAND_SDS * math.sqrt(variance) / raw
    low = stretch(raw * math.exp(-width), params.oxidation_factor)
    high = stretch(raw * math.exp(width), params.oxidation_factor)
    low, high = min(low, best), max(high, best)
    return low, best, high, by_life, by_energy, by_sensor, by_soak, by_unseen, by_carried


@compiled
def _paces(
    params: AccountParams, account: Account, shift_k: float, exponent: float
) -> tuple[float, float]:
    """How much faster the fluid aged [-], running and parked, were it ``shift_k`` [K] hotter, steeper."""
    heat_pace = _heat_pace(params.ageing, account.heat, shift_k, exponent)
    soak_pace = _soak_pace(params.ageing, account.soak.bins_s, shift_k, exponent, heat_pace)
    return heat_pace, soak_pace


@compiled
def _heat_pace(ageing: AgeingParams, heat: Heat, shift_k: float, exponent: float) -> float:
    own = recost_heat_s(heat, ageing, 0.0, 1.0)
    if own > 0.0:
        return recost_heat_s(heat, ageing, shift_k, exponent) / own
    # All that is known was unseen: costed as if at a usual temperature.
    return math.exp(
        exponent * ln_rate(ageing, _UNSEEN_C + shift_k) - ln_rate(ageing, _UNSEEN_C)
    )


@compiled
def _soak_pace(
    ageing: AgeingParams, bins_s: Bins, shift_k: float, exponent: float, otherwise: float
) -> float:
    own = recost_s(bins_s, ageing, 0.0, 1.0)
    return recost_s(bins_s, ageing, shift_k, exponent) / own if own > 0.0 else otherwise


@compiled
def _half_swing(
    running_s: float, parked_s: float, up: tuple[float, float], down: tuple[float, float]
) -> float:
    """Half of how far ln(equivalent time) moves between two costings [-]."""
    above = running_s * up[0] + parked_s * up[1]
    below = running_s * down[0] + parked_s * down[1]
    return 0.5 * abs(math.log(above / below))
