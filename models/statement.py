"""The account as a person reads it: an interval, and what it is made of."""

from __future__ import annotations

import math
from dataclasses import dataclass

from models.account import Account, AccountParams, unseen_equivalent_s
from models.ageing import kinetic_mean_temperature
from models.cold_soak import offset_posterior
from models.heat_sums import KINETIC_ENERGY_OVER_R_K, KINETIC_REFERENCE_C
from models.interval import Causes, interval
from models.mixture import antioxidant_left, oxidation
from models.soak import Soak
from models.travel import distance_km


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """The account as a person reads it.

    ``life_used`` [-] is the best estimate at the newest sample, all estimates included;
    ``life_low`` and ``life_high`` are its 80 % band, ``causes`` what makes that wide.
    ``antioxidant_left`` [-] is the share of the new fluid's; ``oxidation`` [-] the life spent
    without it (0 while it protects).

    Hours [h]: ``equivalent_hours`` at the reference temperature are measured,
    ``soak_equivalent_hours`` (parked) and ``unseen_equivalent_hours`` (running without a reading)
    estimated. These, ``bins`` (measured seconds [s] in each bin of ``models.histogram``) and
    ``soak_bins`` (estimated) belong to the fluid in the gearbox; ``seen_hours``,
    ``unseen_hours``, ``parked_hours`` and the distances [km] count since the fill went in.

    Temperatures [°C]: ``mean_kinetic_temp_c`` (NaN before any span is seen), ``hottest_c``.
    ``offset_k`` with ``offset_sd_k`` [K]: how much too high the sensor reads by ``nights`` parked
    cold; on ``faulty_nights`` it was off too far to be believed. ``soak_checks``: first readings
    after key-on that could tell how good the estimate of the cooling was; they were
    ``soak_off_k`` [K] below what was expected, on average, with the standard deviation
    ``soak_off_sd_k`` [K] (NaN without any).

    ``odometer_breaks``: times the counter went on from another value, the last at
    ``odometer_break_ms`` (0: never); over ``odometer_blind_breaks`` of them no speed told the
    distance. ``odometer_rollovers``: times it passed its last figure, ``odometer_stuck`` stood still
    while the truck drove; ``odometer_wild``: readings that were not believed. ``odometer_read``: whether
    any was; without one distance is by speed.
    """

    life_used: float
    life_low: float
    life_high: float
    causes: Causes
    antioxidant_left: float
    oxidation: float
    equivalent_hours: float
    soak_equivalent_hours: float
    unseen_equivalent_hours: float
    mean_kinetic_temp_c: float
    seen_hours: float
    unseen_hours: float
    parked_hours: float
    distance_km: float
    unseen_km: float
    hottest_c: float
    offset_k: float
    offset_sd_k: float
    nights: int
    faulty_nights: int
    soak_checks: int
    soak_off_k: float
    soak_off_sd_k: float
    odometer_breaks: int
    odometer_blind_breaks: int
    odometer_break_ms: int
    odometer_rollovers: int
    odometer_stuck: int
    odometer_wild: int
    odometer_read: bool
    samples: int
    started_ms: int
    bins: tuple[float, ...]
    soak_bins: tuple[float, ...]


def statement(params: AccountParams, account: Account) -> Statement:
    """Write out an account."""
    heat, soak, travelled, fill = account.heat, account.soak, account.travel, account.filling
    band = interval(params, account)
    left, oxidised = _chemistry(params, account)
    off_k, off_sd_k = offset_posterior(account.offset)
    soak_off_k, soak_off_sd_k = _soak_off_k(soak)
    return Statement(
        life_used=band.best,
        life_low=band.low,
        life_high=band.high,
        causes=band.causes,
        antioxidant_left=left,
        oxidation=oxidised,
        equivalent_hours=float(heat.equivalent_s + heat.equivalent_rest) / 3600.0,
        soak_equivalent_hours=float(soak.equivalent_s) / 3600.0,
        unseen_equivalent_hours=float(unseen_equivalent_s(params, account)) / 3600.0,
        mean_kinetic_temp_c=_mean_kinetic_c(account),
        seen_hours=float(heat.seen_s + heat.seen_rest) / 3600.0,
        unseen_hours=float(travelled.unseen_s) / 3600.0,
        parked_hours=float(soak.parked_s) / 3600.0,
        distance_km=float(distance_km(travelled)),
        unseen_km=float(travelled.unseen_km),
        hottest_c=float(heat.hottest_c),
        offset_k=float(off_k),
        offset_sd_k=float(off_sd_k),
        nights=int(account.offset.nights),
        faulty_nights=int(account.offset.faulty),
        soak_checks=int(soak.checks),
        soak_off_k=soak_off_k,
        soak_off_sd_k=soak_off_sd_k,
        odometer_breaks=int(travelled.breaks),
        odometer_blind_breaks=int(travelled.unknown_breaks),
        odometer_break_ms=int(travelled.last_break_ms),
        odometer_rollovers=int(travelled.rollovers),
        odometer_stuck=int(travelled.stuck),
        odometer_wild=int(travelled.odometer.wild),
        odometer_read=bool(travelled.odometer.known),
        samples=int(fill.samples),
        started_ms=int(fill.started_ms),
        bins=tuple(heat.bins_s.tolist()),
        soak_bins=tuple(soak.bins_s.tolist()),
    )


def _chemistry(params: AccountParams, account: Account) -> tuple[float, float]:
    """Give antioxidant left and oxidation [-]; before the first sample, as the fluid went in."""
    if account.filling.opened == 0:
        return 1.0, 0.0
    return float(antioxidant_left(params, account)), float(oxidation(params, account))


def _soak_off_k(soak: Soak) -> tuple[float, float]:
    """Give mean and standard deviation [K] of how far first readings lay below the estimate."""
    if soak.checks == 0:
        return math.nan, math.nan
    mean = float(soak.check_sum_k / soak.checks)
    return mean, math.sqrt(max(0.0, float(soak.check_squares_k2) / soak.checks - mean * mean))


def _mean_kinetic_c(account: Account) -> float:
    heat = account.heat
    seen_s = float(heat.seen_s + heat.seen_rest)
    if seen_s <= 0.0:
        return math.nan
    mean_rate = float(heat.kinetic_s + heat.kinetic_rest) / seen_s
    return float(
        kinetic_mean_temperature(mean_rate, KINETIC_REFERENCE_C, KINETIC_ENERGY_OVER_R_K)
    )
