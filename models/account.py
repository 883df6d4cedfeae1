"""The account of a fill: what heat, time and distance have done to the fluid."""

from __future__ import annotations

import math

from models.ageing import AgeingParams
from models.cold_soak import Offset
from models.compiled import compiled
from models.fill import Fill, begin
from models.gap import Gap
from models.habits import HabitParams, Habits, per_km_s, per_run_s
from models.heat_sums import Heat
from models.hours import Hours
from models.layout import Layout
from models.soak import (
    Soak,
    SoakParams,
    ambient_c,
    decay_equivalent_s,
    time_constant_s,
)
from models.travel import Travel


class AccountParams(Layout):
    """The fluid and the fill."""

    ageing: AgeingParams
    soak: SoakParams
    habits: HabitParams
    reference_life_s: float
    ln_life_sd: float  # one standard deviation of ln(reference life) [-]
    exponent_sd: float  # the same of the activation energy, as a share of it [-]
    oxidation_factor: float  # how much faster than before the fluid oxidises once it is due [-]
    antioxidant_at_end: float  # share of the antioxidant that is left when the fluid is due [-]
    fluid_total_l: float
    max_gap_s: float


class Account(Layout):
    """State: the parts of the account, and what they come to."""

    heat: Heat
    soak: Soak
    travel: Travel
    hours: Hours
    gap: Gap
    offset: Offset
    habits: Habits
    filling: Fill
    life_used: float  # best estimate at the newest sample [-]: 0 fresh, 1 due


@compiled
def open_fill(account: Account) -> None:
    """Begin the account of a fill of which nobody has said when it went in: as new, from the first sample."""
    begin(account.filling, 0, math.nan, 0.0, 1.0, 0.0)
    account.heat.hottest_c = -273.15


@compiled
def equivalent_s(params: AccountParams, account: Account) -> float:
    """Seconds at the reference temperature that would have aged the fluid as much, estimates included."""
    heat, travelled = account.heat, account.travel
    seconds = heat.equivalent_s + heat.equivalent_rest + account.soak.equivalent_s
    if travelled.fluid_unseen_km > 0.0 or travelled.fluid_unseen_run_s > 0.0:
        seconds += unseen_equivalent_s(params, account)
    return seconds


@compiled
def unseen_equivalent_s(params: AccountParams, account: Account) -> float:
    """Give the part of it [s] that the truck's habits stand for: it ran and the fluid was not read."""
    travelled, habits = account.travel, account.habits
    by_km = travelled.fluid_unseen_km * per_km_s(params.habits, habits)
    return by_km + travelled.fluid_unseen_run_s * per_run_s(params.habits, habits)


@compiled
def raw_life(params: AccountParams, account: Account) -> float:
    """Life used [-] as if the fluid went on ageing at one pace after it is due."""
    fill = account.filling
    spent = equivalent_s(params, account) / params.reference_life_s
    return fill.carried + math.exp(fill.scale_ln) * spent


@compiled
def stretch(raw: float, oxidation_factor: float) -> float:
    """Life used [-]: once the antioxidant is used up, oxidation runs faster by the factor."""
    return raw if raw <= 1.0 else 1.0 + oxidation_factor * (raw - 1.0)


@compiled
def unstretch(life_used: float, oxidation_factor: float) -> float:
    """Raw life [-] that comes to a life used [-]."""
    return life_used if life_used <= 1.0 else 1.0 + (life_used - 1.0) / oxidation_factor


@compiled
def soak_until(params: AccountParams, account: Account, until_ms: int) -> float:
    """Estimate for showing: what a truck parked since its last reading has aged until a time [s].

    Parameters
    ----------
    params, account
        Of the truck; not changed.
    until_ms
        Now [Unix ms].

    Returns
    -------
    float
        Seconds at the reference temperature; 0 while the time since then may yet count as seen.
    """
    heat, gap = account.heat, account.gap
    span_s = (until_ms - heat.fluid_ms) / 1000.0
    if heat.fluid_ms == 0 or span_s <= params.max_gap_s:
        return 0.0
    air = ambient_c(gap.air_c if gap.air_ms > 0 else math.nan, math.nan)
    tau_s = time_constant_s(params.soak, account.soak)
    return decay_equivalent_s(params.ageing, heat.fluid_c, air, tau_s, span_s)
