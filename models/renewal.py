"""What begins again with a new fill or another fluid, and what stays."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from models.account import raw_life, stretch, unstretch
from models.ageing import rate
from models.fill import begin
from models.heat_sums import recost_heat_s
from models.histogram import recost_s
from models.mixture import antioxidant_left, oxidation, thin
from models.odometer import TICK_KM, reach_km
from models.soak import KEPT
from models.travel import distance_km

TYPICAL_C = 90.0
"""Where two fluids' paces are compared when no heat was counted yet [°C]. Own choice, the middle of the
best-life band of the trade."""


def new_fill(
    account: Any, entry: Any, raw: float, antioxidant: float, oxidation: float
) -> None:
    """Begin a new fill at an entry; what is known of truck and fluid stays.

    Parameters
    ----------
    account
        Record ``models.account.Account``, changed in place.
    entry
        Record ``models.service.ENTRY``; its time is negative where nobody knows it.
    raw, antioxidant, oxidation
        What the fluid brings along [-], as for ``models.fill.begin``.
    """
    fill = account.filling
    if fill.filter_ms > 0:
        fill.filter_km -= distance_at_km(account, entry)
    odometer_km = counter_at_km(account, float(entry.odometer_km), int(entry.time_ms))
    renew(account, "heat", ())
    renew(account, "soak", KEPT)
    renew(account, "travel", ())
    renew(account, "gap", ("air_c", "air_ms"))
    renew(account, "hours", ())
    account.heat.hottest_c = -273.15
    begin(fill, max(0, int(entry.time_ms)), odometer_km, raw, antioxidant, oxidation)


def change_fluid(before: Any, params: Any, account: Any) -> None:
    """Write off what the fluid has aged before another kind comes in: kept as life it brings along.

    ``before`` and ``params``: records ``models.account.AccountParams`` of the old fluid and the new. The
    sums are emptied, since seconds of one fluid are none of the other; what days used to
    cost is costed for the new one. What samples said was of the old.
    """
    fill = account.filling
    life = stretch(raw_life(before, account), before.oxidation_factor)
    left = antioxidant_left(before, account)  # first: oxidation rests on what it is to replace
    fill.oxidation_at_mix = oxidation(before, account)
    fill.antioxidant_at_mix = left
    pace = _relative_pace(before, params, account)
    account.habits.equivalent_s *= pace
    account.habits.seen_equivalent_s *= pace
    thin(account, 0.0)
    fill.carried = unstretch(life, params.oxidation_factor)
    fill.equivalent_at_mix_s = 0.0
    fill.scale_ln = 0.0
    fill.scale_var = 0.0
    fill.lab_samples = 0


def _relative_pace(before: Any, params: Any, account: Any) -> float:
    """Seconds at the new fluid's reference that a second at the old one's comes to, as this truck drives."""
    costs_s = [_cost_s(account, own.ageing) for own in (before, params)]
    if costs_s[0] <= 0.0:
        costs_s = [float(rate(own.ageing, TYPICAL_C)) for own in (before, params)]
    return costs_s[1] / costs_s[0]


def _cost_s(account: Any, ageing: Any) -> float:
    heat_s = recost_heat_s(account.heat, ageing, 0.0, 1.0)
    return float(heat_s + recost_s(account.soak.bins_s, ageing, 0.0, 1.0))


def drive_to(account: Any, entry: Any) -> None:
    """Count what the fill was driven before its first sample, by the counter as people read it.

    Each reading goes on from the one before it, so that a pan drop thins what was driven until
    then and its interval begins where it was done. Known distance, unseen heat.
    """
    fill, travelled = account.filling, account.travel
    odometer_km = float(entry.odometer_km)
    if fill.samples > 0 or math.isnan(odometer_km):
        return
    km = odometer_km - float(fill.installed_odometer_km)
    if math.isnan(km):
        fill.installed_odometer_km = odometer_km
    elif km > 0.0 and distance_km(travelled) + km <= reach_km(entry.time_ms - fill.started_ms):
        fill.installed_odometer_km = odometer_km
        travelled.distance_km += km
        travelled.unseen_km += km
        travelled.fluid_unseen_km += km


def counter_at_km(account: Any, read_km: float, time_ms: int) -> float:
    """The counter at a time [km, Unix ms]: as somebody read it, if that fits the truck's own readings.

    ``read_km`` is NaN where nobody did. A slip of the pen would count as distance driven.
    """
    counter = account.travel.odometer
    if counter.known == 0:
        return read_km
    ahead_km = read_km - float(counter.km)
    if -TICK_KM <= ahead_km <= reach_km(time_ms - counter.time_ms):
        return read_km
    return float(counter.km)


def distance_at_km(account: Any, entry: Any) -> float:
    """Distance on the fill at an entry [km], by the counter read then if it was and is believable."""
    travelled = account.travel
    counter = travelled.odometer
    driven_km = float(distance_km(travelled))
    since_km = float(entry.odometer_km) - float(counter.km)
    if counter.known == 1 and 0.0 <= since_km <= reach_km(entry.time_ms - counter.time_ms):
        return driven_km + since_km - float(counter.since_km)
    return driven_km


def renew(parent: Any, name: str, stays: tuple[str, ...]) -> None:
    """Set all numbers of a record's part to zero, but those named."""
    kept = {field: parent[name][field].copy() for field in stays}
    parent[name] = np.zeros((), parent[name].dtype)
    for field, value in kept.items():
        parent[name][field] = value
