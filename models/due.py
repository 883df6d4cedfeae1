"""Which limit of the service interval comes first, and when: heat, distance or age."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from models.account import Account, unstretch
from models.compiled import compiled
from models.fill import Fill
from models.forecast import HORIZON_DAYS, Z_80, days_until, pace, use_on
from models.habits import DAY_MS
from models.layout import Layout
from models.travel import Travel, distance_km

REASONS = ("heat", "distance", "age")
HEAT, DISTANCE, AGE = range(3)
"""What a service may be due by; evidence names one by its place here."""

EASY_KM = 80_467.0
HARD_KM = 48_280.0
"""Distance between services [km] of a truck that never tows, 50,000 mi, and of one that always does,
30,000 mi; between them by the share of the distance with a trailer. Common practice, no source: 30,000
to 50,000 miles, tightened when towing."""

TRAILER_PRIOR_KM = 500.0
"""Distance [km] that must be seen before the share of towing counts as much as "half". Own choice;
doubled, the limit takes twice the distance to settle."""


class ServiceParams(Layout):
    """The limits, and what is needed of the fluid and of a truck not yet seen."""

    life_share: float
    distance_km: float  # NaN: the usual, by how much the truck tows
    age_days: float
    reference_life_s: float
    oxidation_factor: float
    equivalent_s_per_day: float  # assumed of a truck not yet seen [s/d]
    km_per_day: float


@compiled
def distance_limit_km(params: ServiceParams, travel: Travel) -> float:
    """Distance between services [km]: the manager's, else the usual for how much the truck tows."""
    if not math.isnan(params.distance_km):
        return params.distance_km
    towing_km = 0.5 * TRAILER_PRIOR_KM + max(0.0, travel.towing_km)
    known_km = TRAILER_PRIOR_KM + max(0.0, travel.trailer_known_km)
    return EASY_KM + (HARD_KM - EASY_KM) * min(1.0, towing_km / known_km)


@compiled
def driven_km(account: Account) -> float:
    """Distance since the last service [km]."""
    return distance_km(account.travel) - account.filling.service_km


@compiled
def age_days(fill: Fill, now_ms: int) -> float:
    """Time since the last service [d], NaN where nobody knows when it was."""
    return (now_ms - fill.service_ms) / DAY_MS if fill.service_ms > 0 else math.nan


@compiled
def shares(params: ServiceParams, account: Account, now_ms: int) -> tuple[float, float, float]:
    """Share of each limit that is used [-]: heat, distance, age (NaN where not known)."""
    return (
        account.life_used / params.life_share,
        driven_km(account) / distance_limit_km(params, account.travel),
        age_days(account.filling, now_ms) / params.age_days,
    )


@compiled
def due(
    params: ServiceParams, account: Account, now_ms: int
) -> tuple[int, float, float, float]:
    """Say which limit comes first, and when.

    Heat and distance grow with the same driving, so the quantiles of the first of them are taken
    for the first of their quantiles; age is known. Of the account's own doubt nothing is in the dates:
    they are when *its best estimate* reaches the limit.

    Parameters
    ----------
    params
        Of the truck.
    account
        At the newest sample.
    now_ms
        Now [Unix ms]. Whole days since the newest sample count as days at rest.

    Returns
    -------
    tuple
        Place in ``REASONS``; median, early and late end of 8 in 10 [Unix ms], NaN for later than
        ``HORIZON_DAYS`` from now, ``now_ms`` for what is already due by heat or distance.
    """
    median_heat, early_heat, late_heat = _by_heat(params, account, now_ms)
    median_km, early_km, late_km = _by_distance(params, account, now_ms)
    age_ms = math.inf
    if account.filling.service_ms > 0:
        age_ms = account.filling.service_ms + params.age_days * DAY_MS
    median_ms = min(median_heat, median_km, age_ms)
    reason = HEAT if median_heat == median_ms else DISTANCE
    if age_ms == median_ms and age_ms < min(median_heat, median_km):
        reason = AGE
    return (
        reason,
        _within(median_ms, now_ms),
        _within(min(early_heat, early_km, age_ms), now_ms),
        _within(min(late_heat, late_km, age_ms), now_ms),
    )


@compiled
def _within(time_ms: float, now_ms: int) -> float:
    return time_ms if time_ms <= now_ms + HORIZON_DAYS * DAY_MS else math.nan


@compiled
def _by_heat(
    params: ServiceParams, account: Account, now_ms: int
) -> tuple[float, float, float]:
    # In raw life, which grows evenly with use beyond 1 too.
    to_go = unstretch(params.life_share, params.oxidation_factor) - unstretch(
        account.life_used, params.oxidation_factor
    )
    remaining_s = to_go * params.reference_life_s / math.exp(account.filling.scale_ln)
    habits = account.habits
    prior = params.equivalent_s_per_day
    return _crossing(habits.equivalent_s, habits, prior, remaining_s, now_ms)


@compiled
def _by_distance(
    params: ServiceParams, account: Account, now_ms: int
) -> tuple[float, float, float]:
    remaining_km = distance_limit_km(params, account.travel) - driven_km(account)
    habits = account.habits
    return _crossing(habits.km, habits, params.km_per_day, remaining_km, now_ms)


@compiled
def _crossing(
    ring: Any, habits: Any, prior_per_day: float, remaining: float, now_ms: int
) -> tuple[float, float, float]:
    """Give median, early and late end [Unix ms] of when what remains is used up; infinite: never."""
    if remaining <= 0.0:
        return float(now_ms), float(now_ms), float(now_ms)
    newest_day = habits.day
    today = max(now_ms // DAY_MS, newest_day)
    first_day = habits.first_day if newest_day > 0 else today
    per_day, known, restless = pace(ring, newest_day, first_day, today, prior_per_day)
    # Whole days are forecast, so today begins again: what it used already is given back.
    from_midnight = remaining + use_on(ring, newest_day, first_day, today)
    median = days_until(from_midnight, per_day, known, restless, 0.0)
    early = days_until(from_midnight, per_day, known, restless, Z_80)
    late = days_until(from_midnight, per_day, known, restless, -Z_80)
    return (
        max(float(now_ms), (today + median) * DAY_MS),
        max(float(now_ms), (today + early) * DAY_MS),
        max(float(now_ms), (today + late) * DAY_MS),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """When a truck's service is due.

    ``reason`` is one of ``REASONS``. ``overdue``: it is due already, and all three times are since
    when; else the median and the ends of 8 in 10 [Unix ms], None for "not within five years".
    ``share_by_...``: how much of each limit is used [-]; ``distance_km`` [km] and ``age_days`` [d]
    since the last service with their limits. What is not known is NaN.
    """

    reason: str
    overdue: bool
    median_ms: int | None
    early_ms: int | None
    late_ms: int | None
    share_by_heat: float
    share_by_distance: float
    share_by_age: float
    distance_km: float
    distance_limit_km: float
    age_days: float
    age_limit_days: float

    @property
    def share(self) -> float:
        """Share of the limit that is nearest [-]."""
        known = (self.share_by_heat, self.share_by_distance, self.share_by_age)
        return max(share for share in known if not math.isnan(share))


def due_of(params: Any, state: Any, now_ms: int) -> Due:
    """Say when a truck's service is due, at any time.

    Parameters
    ----------
    params, state
        Records ``models.kernel.PARAMS`` and ``STATE`` of the truck, entries up to now counted
        (``models.course.settle``).
    now_ms
        Now [Unix ms], not before the newest sample.
    """
    account = state.truck.account
    limits = params.service_due
    reason, *times = due(limits, account, now_ms)
    by_heat, by_distance, by_age = shares(limits, account, now_ms)
    overdue = times[0] <= now_ms
    own = state.service_due.own
    if overdue and own.due_since_ms > 0 and own.services == account.filling.services:
        reason, times = int(own.due_by), [float(own.due_since_ms)] * 3
    median_ms, early_ms, late_ms = (
        None if math.isnan(time_ms) else round(time_ms) for time_ms in times
    )
    return Due(
        reason=REASONS[reason],
        overdue=overdue,
        median_ms=median_ms,
        early_ms=early_ms,
        late_ms=late_ms,
        share_by_heat=float(by_heat),
        share_by_distance=float(by_distance),
        share_by_age=float(by_age),
        distance_km=float(driven_km(account)),
        distance_limit_km=float(distance_limit_km(limits, account.travel)),
        age_days=float(age_days(account.filling, now_ms)),
        age_limit_days=float(limits.age_days),
    )
