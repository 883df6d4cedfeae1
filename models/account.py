"""The account of a fill: what heat, time and distance have done to the fluid."""

from __future__ import annotations

import math

from models.ageing import AgeingParams
from models.cold_soak import Offset
from models.compiled import compiled
from models.fill import Fill, begin
from models.habits import HabitParams, Habits, note_day
from models.heat_sums import Heat, charge_span
from models.layout import Layout
from models.soak import Soak, SoakParams
from models.travel import Travel, travel
from models.view import View


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
    installed_ms: int  # 0: the fill is as old as the first sample
    installed_odometer_km: float  # NaN: the counter at the first sample
    life_used_at_start: float
    max_gap_s: float


class Account(Layout):
    """State: the parts of the account, and what they come to."""

    heat: Heat
    soak: Soak
    travel: Travel
    offset: Offset
    habits: Habits
    filling: Fill
    life_used: float  # best estimate at the newest sample [-]: 0 fresh, 1 due


@compiled
def open_fill(
    params: AccountParams,
    account: Account,
    started_ms: int,
    installed_odometer_km: float,
    life_used: float,
) -> None:
    """Begin the account of a charge of fluid [ms, km, -]; what the truck is used to stays."""
    raw = unstretch(life_used, params.oxidation_factor)
    antioxidant = params.antioxidant_at_end**raw
    begin(
        account.filling,
        started_ms,
        installed_odometer_km,
        raw,
        antioxidant,
        max(0.0, raw - 1.0),
    )
    account.travel.odometer_km = -1.0
    account.heat.hottest_c = -273.15
    account.heat.fluid_ms = 0


@compiled
def equivalent_s(params: AccountParams, account: Account) -> float:
    """Seconds at the reference temperature that would have aged the fluid as much, estimates included."""
    return account.heat.equivalent_s + account.heat.equivalent_rest


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
def charge(params: AccountParams, account: Account, view: View) -> None:
    """Charge the newest sample to the account of the fill.

    Parameters
    ----------
    params
        Fluid and fill of this truck.
    account
        Changed in place.
    view
        The truck at the newest sample. Samples from before the fill went in are passed over.
    """
    if view.time_ms < params.installed_ms:
        return
    fill = account.filling
    if fill.opened == 0:
        started_ms = params.installed_ms if params.installed_ms > 0 else view.time_ms
        open_fill(
            params,
            account,
            started_ms,
            params.installed_odometer_km,
            params.life_used_at_start,
        )
    first = fill.samples == 0
    if fill.started_ms == 0:
        fill.started_ms = view.time_ms
    if fill.service_ms == 0:
        fill.service_ms = fill.started_ms
    fill.samples += 1
    if not first or view.gap_s == 0.0:
        travel(account.travel, fill.installed_odometer_km, view)
    _heat(params, account, view)
    account.life_used = stretch(raw_life(params, account), params.oxidation_factor)
    note_day(params.habits, account.habits, view, account.heat, account.soak, account.travel)


@compiled
def _heat(params: AccountParams, account: Account, view: View) -> None:
    fluid = view.fluid_c
    heat = account.heat
    if math.isnan(fluid):
        return
    if heat.fluid_ms > 0:
        span_s = (view.time_ms - heat.fluid_ms) / 1000.0
        if span_s > params.max_gap_s:
            account.travel.unseen_s += span_s
        else:
            charge_span(params.ageing, heat, fluid, span_s)
    heat.fluid_ms = view.time_ms
    heat.fluid_c = fluid
    heat.hottest_c = max(heat.hottest_c, fluid)
