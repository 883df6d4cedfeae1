"""The account of a fill: what heat, time and distance have done to the fluid."""

from __future__ import annotations

import math
from dataclasses import dataclass

from models.ageing import kinetic_mean_temperature, logarithmic_mean, relative_rate
from models.compiled import compiled
from models.layout import Layout
from models.units import GAS_CONSTANT
from models.view import View

KINETIC_ENERGY_OVER_R_K = 10000.0
"""Delta-H/R of the pharmacopoeial mean kinetic temperature [K]: 83.144 kJ/mol over R (from memory)."""

KINETIC_REFERENCE_C = 80.0
"""Temperature to which the running mean is related [°C]; it cancels out of the result."""

_FASTEST_KM_H = 200.0


class AccountParams(Layout):
    """The fluid and the fill."""

    activation_energy_j_mol: float
    reference_c: float
    reference_life_s: float
    installed_ms: int  # 0: the fill is as old as the first sample
    installed_odometer_km: float  # NaN: the counter at the first sample
    life_used_at_start: float
    max_gap_s: float


class Account(Layout):
    """State: running sums since the fill went in; each ``_rest`` carries the rounding of its sum."""

    started_ms: int
    samples: int
    equivalent_s: float  # seconds at the reference temperature that would have aged as much
    equivalent_rest: float
    kinetic_s: float  # the same for the mean kinetic temperature
    kinetic_rest: float
    seen_s: float
    seen_rest: float
    unseen_s: float
    distance_km: float
    distance_rest: float
    unseen_km: float
    fluid_ms: int
    fluid_c: float
    odometer_km: float
    odometer_ms: int
    speed_km_since: float  # distance from speed since the odometer was last read [km]
    gap_since: int  # 1: a gap lay between then and now
    hottest_c: float


@compiled
def _add(total: float, rest: float, more: float) -> tuple[float, float]:
    """Add with the lost digits kept (Neumaier's compensated sum)."""
    new = total + more
    if abs(total) >= abs(more):
        rest += (total - new) + more
    else:
        rest += (more - new) + total
    return new, rest


@compiled
def _heat(params: AccountParams, account: Account, fluid_c: float, span_s: float) -> None:
    """Charge a span that ends at ``fluid_c`` [°C]; the rate runs log-linearly over it."""
    reference = params.reference_c
    energy = params.activation_energy_j_mol
    rate = logarithmic_mean(
        relative_rate(account.fluid_c, reference, energy),
        relative_rate(fluid_c, reference, energy),
    )
    kinetic = KINETIC_ENERGY_OVER_R_K * GAS_CONSTANT
    kinetic_rate = logarithmic_mean(
        relative_rate(account.fluid_c, KINETIC_REFERENCE_C, kinetic),
        relative_rate(fluid_c, KINETIC_REFERENCE_C, kinetic),
    )
    account.equivalent_s, account.equivalent_rest = _add(
        account.equivalent_s, account.equivalent_rest, rate * span_s
    )
    account.kinetic_s, account.kinetic_rest = _add(
        account.kinetic_s, account.kinetic_rest, kinetic_rate * span_s
    )
    account.seen_s, account.seen_rest = _add(account.seen_s, account.seen_rest, span_s)


@compiled
def _travel(params: AccountParams, account: Account, view: View) -> None:
    """Count distance: by odometer where there is one, else by speed; over gaps it is unseen."""
    odometer = view.odometer_km
    by_speed = 0.0
    if view.dt_s > 0.0 and not math.isnan(view.speed_km_h):
        by_speed = view.speed_km_h * view.dt_s / 3600.0
    if view.gap_s > 0.0:
        account.gap_since = 1
    if math.isnan(odometer):
        account.distance_km, account.distance_rest = _add(
            account.distance_km, account.distance_rest, by_speed
        )
        account.speed_km_since += by_speed
        return
    if account.odometer_km < 0.0:
        step = by_speed
        before = odometer - params.installed_odometer_km - account.speed_km_since - by_speed
        if before >= 0.0:
            # Driven on this fill before the first sample: known distance, unseen heat.
            step += before
            account.unseen_km += before
    else:
        step = odometer - account.odometer_km - account.speed_km_since
        # The counter may come more rarely than the samples, and a gap may lie in between.
        reach_km = _FASTEST_KM_H * (view.time_ms - account.odometer_ms) / 3_600_000.0 + 2.0
        if odometer < account.odometer_km or step > reach_km:
            step = by_speed  # the counter was reset or jumped: do not believe the difference
        elif account.gap_since == 1:
            account.unseen_km += max(step, 0.0)
    step = max(step, -account.speed_km_since)
    account.distance_km, account.distance_rest = _add(
        account.distance_km, account.distance_rest, step
    )
    account.odometer_km = odometer
    account.odometer_ms = view.time_ms
    account.speed_km_since = 0.0
    account.gap_since = 0


@compiled
def _open(params: AccountParams, account: Account, view: View) -> None:
    """Start the account with the first sample of the fill."""
    account.started_ms = params.installed_ms if params.installed_ms > 0 else view.time_ms
    account.odometer_km = -1.0
    account.hottest_c = -273.15
    account.fluid_ms = 0


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
    first = account.samples == 0
    if first:
        _open(params, account, view)
    account.samples += 1
    if not first or view.gap_s == 0.0:
        _travel(params, account, view)
    fluid = view.fluid_c
    if math.isnan(fluid):
        return
    if account.fluid_ms > 0:
        span_s = (view.time_ms - account.fluid_ms) / 1000.0
        if span_s > params.max_gap_s:
            account.unseen_s += span_s
        else:
            _heat(params, account, fluid, span_s)
    account.fluid_ms = view.time_ms
    account.fluid_c = fluid
    account.hottest_c = max(account.hottest_c, fluid)


@compiled
def life_used(account: Account, reference_life_s: float, at_start: float) -> float:
    """Share of the fluid's life that heat has used [-]: 0 fresh, 1 due."""
    return at_start + (account.equivalent_s + account.equivalent_rest) / reference_life_s


@compiled
def distance_km(account: Account) -> float:
    """Distance driven on the fill, what was not seen included [km]."""
    return account.distance_km + account.distance_rest


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """The account as a person reads it.

    Hours [h], temperatures [°C], distances [km], ``life_used`` [-]. ``unseen_km`` is the part
    of ``distance_km`` driven while no data came; ``mean_kinetic_temp_c`` is NaN before any span
    is seen.
    """

    life_used: float
    equivalent_hours: float
    mean_kinetic_temp_c: float
    seen_hours: float
    unseen_hours: float
    distance_km: float
    unseen_km: float
    hottest_c: float
    samples: int
    started_ms: int


def statement(params: AccountParams, account: Account) -> Statement:
    """Write out an account."""
    seen = float(account.seen_s + account.seen_rest)
    kinetic = float(account.kinetic_s + account.kinetic_rest)
    mean = math.nan
    if seen > 0.0:
        mean = kinetic_mean_temperature(
            kinetic / seen, KINETIC_REFERENCE_C, KINETIC_ENERGY_OVER_R_K
        )
    return Statement(
        life_used=float(life_used(account, params.reference_life_s, params.life_used_at_start)),
        equivalent_hours=float(account.equivalent_s + account.equivalent_rest) / 3600.0,
        mean_kinetic_temp_c=float(mean),
        seen_hours=seen / 3600.0,
        unseen_hours=float(account.unseen_s) / 3600.0,
        distance_km=float(distance_km(account)),
        unseen_km=float(account.unseen_km),
        hottest_c=float(account.hottest_c),
        samples=int(account.samples),
        started_ms=int(account.started_ms),
    )
