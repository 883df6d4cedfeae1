"""The account as a person reads it: an interval, and what it is made of."""

from __future__ import annotations

import math
from dataclasses import dataclass

from models.account import Account, AccountParams
from models.ageing import kinetic_mean_temperature
from models.heat_sums import KINETIC_ENERGY_OVER_R_K, KINETIC_REFERENCE_C
from models.travel import distance_km


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
    heat = account.heat
    seen = float(heat.seen_s + heat.seen_rest)
    kinetic = float(heat.kinetic_s + heat.kinetic_rest)
    mean = math.nan
    if seen > 0.0:
        mean = kinetic_mean_temperature(
            kinetic / seen, KINETIC_REFERENCE_C, KINETIC_ENERGY_OVER_R_K
        )
    started = account.filling.opened == 1
    return Statement(
        life_used=float(account.life_used) if started else float(params.life_used_at_start),
        equivalent_hours=float(heat.equivalent_s + heat.equivalent_rest) / 3600.0,
        mean_kinetic_temp_c=float(mean),
        seen_hours=seen / 3600.0,
        unseen_hours=float(account.travel.unseen_s) / 3600.0,
        distance_km=float(distance_km(account.travel)),
        unseen_km=float(account.travel.unseen_km),
        hottest_c=float(heat.hottest_c),
        samples=int(account.filling.samples),
        started_ms=int(account.filling.started_ms),
    )
