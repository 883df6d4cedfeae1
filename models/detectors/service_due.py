"""Hypothesis: the fluid is due: by heat, by distance or by age, whichever comes first."""

from __future__ import annotations

import math
from collections.abc import Mapping

from models.compiled import compiled
from models.detector import Detector, Truck
from models.layout import Layout
from models.travel import distance_km
from models.units import Units
from models.words import HOT_FLUID, SHOP_ONLY, USED_OIL, Words

SOON = 0.80
NEAR = 0.95
DUE = 1.00
"""Shares of the way at which people are told [-]: time to plan, time to book, due."""


class Params(Layout):
    """Limits of this fill; NaN where there is none."""

    distance_km: float
    age_days: float


class State(Layout):
    """State: how near the service has been on this fill [-]."""

    most: float


@compiled
def step(
    params: Params, state: State, truck: Truck, evidence: dict[int, float]
) -> tuple[int, float]:
    """Say how near the service is."""
    account = truck.account
    by_heat = account.life_used
    distance = distance_km(account.travel)
    by_distance = distance / params.distance_km
    age_days = (truck.latest.time_ms - account.filling.started_ms) / 86_400_000.0
    by_age = age_days / params.age_days
    most = by_heat
    if not math.isnan(by_distance):
        most = max(most, by_distance)
    if not math.isnan(by_age):
        most = max(most, by_age)
    # A speed sum that the odometer corrects must not take a level back.
    state.most = most if account.filling.samples <= 1 else max(most, state.most)
    most = state.most
    evidence[0] = by_heat
    evidence[1] = by_distance
    evidence[2] = by_age
    evidence[3] = distance
    evidence[4] = params.distance_km
    evidence[5] = age_days
    evidence[6] = account.travel.unseen_km
    if account.filling.samples == 0 or most < SOON:
        return 0, 1.0
    if most >= DUE:
        return 3, 1.0
    return (2 if most >= NEAR else 1), 1.0


def words(evidence: Mapping[str, float], units: Units) -> Words:
    """Say it to a person."""
    ways = {
        "heat": evidence["share_by_heat"],
        "distance": evidence["share_by_distance"],
        "age": evidence["share_by_age"],
    }
    known = {name: share for name, share in ways.items() if not math.isnan(share)}
    first = max(known, key=lambda name: known[name])
    share = known[first]
    state = "due now" if share >= DUE else f"{share:.0%} of the way"
    listed = ", ".join(f"{name} {value:.0%}" for name, value in known.items())
    return Words(
        title=f"Fluid service {state}, by {first}",
        observed=(
            f"Share of each limit used by this fill: {listed}. Driven on it: "
            f"{units.length(evidence['distance_km'])}, of which "
            f"{units.length(evidence['unseen_km'])} unseen: before the first data, or in gaps."
        ),
        expected="Service at the first limit that is reached: heat, distance or age.",
        doubts=(
            "The heat account rests on the fluid's published life chart and on one sensor; a "
            "laboratory sample says more."
        ),
        action="Book a fluid and filter service." if share < DUE else "Service the fluid now.",
        cautions=(HOT_FLUID, SHOP_ONLY, USED_OIL),
    )


SERVICE_DUE = Detector(
    kind="service_due",
    params=Params,
    state=State,
    evidence=(
        "share_by_heat",
        "share_by_distance",
        "share_by_age",
        "distance_km",
        "distance_limit_km",
        "age_days",
        "unseen_km",
    ),
    step=step,
    on_delay_s=0.0,
    off_delay_s=0.0,
    words=words,
)
