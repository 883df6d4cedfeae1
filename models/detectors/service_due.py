"""Hypothesis: the service is due: by heat, by distance or by age, whichever comes first."""

from __future__ import annotations

import math
from collections.abc import Mapping

from models.cautions import AT_THE_FLUID, ON_THE_ROAD_NOTHING
from models.compiled import compiled
from models.detector import Detector, Truck
from models.due import (
    REASONS,
    ServiceParams,
    age_days,
    distance_limit_km,
    driven_km,
    due,
    shares,
)
from models.due_words import due_in_words
from models.layout import Layout
from models.units import Units
from models.words import Words

SOON = 0.80
NEAR = 0.95
DUE = 1.00
"""Shares of the way at which people are told [-]: time to plan, time to book, due."""

BACK = 0.05
"""How far below its share a level must fall to be taken back [-]: a distance that the odometer corrects
must not, what the laboratory found may. Own choice; a sample that says 4 % less takes nothing back."""


class State(Layout):
    """State: the level that stands (0 to 3), of which interval, and the dates as they were then."""

    seen: int  # 1: the interval below has been looked at
    services: int
    level: int
    due_since_ms: int  # 0: not due
    due_by: int  # place in ``models.due.REASONS``
    median_ms: float
    early_ms: float
    late_ms: float


@compiled
def step(
    params: ServiceParams, state: State, truck: Truck, evidence: dict[int, float]
) -> tuple[int, float]:
    """Say how near the service is."""
    account = truck.account
    now_ms = truck.latest.time_ms
    by_heat, by_distance, by_age = shares(params, account, now_ms)
    evidence[0] = by_heat
    evidence[1] = by_distance
    evidence[2] = by_age
    evidence[3] = driven_km(account)
    evidence[4] = distance_limit_km(params, account.travel)
    evidence[5] = age_days(account.filling, now_ms)
    evidence[6] = account.travel.unseen_km
    begun = state.seen == 1 and state.services != account.filling.services
    first = state.seen == 0 or begun
    if first:
        _begin(state, account.filling.services)
    # What stood was about another interval: it ends with this sample, whatever comes next.
    level = 0
    if not begun and account.filling.samples > 0:
        level = _level(by_heat, by_distance, by_age, state.level)
    if first or level != state.level:
        _date(params, state, truck, level)
    evidence[7] = state.due_by
    evidence[8] = state.median_ms
    evidence[9] = state.early_ms
    evidence[10] = state.late_ms
    return level, 1.0


@compiled
def _begin(state: State, services: int) -> None:
    state.seen = 1
    state.services = services
    state.level = 0
    state.due_since_ms = 0


@compiled
def _level(by_heat: float, by_distance: float, by_age: float, standing: int) -> int:
    """Give the level, 0 to 3; shares that are not known (NaN) count as nothing."""
    most = 0.0
    for share in (by_heat, by_distance, by_age):
        if share > most:
            most = share
    level = 0
    for place, share in enumerate((SOON, NEAR, DUE)):
        if most >= (share - BACK if standing > place else share):
            level = place + 1
    return level


@compiled
def _date(params: ServiceParams, state: State, truck: Truck, level: int) -> None:
    """Work the dates out; needed only when somebody is told."""
    now_ms = truck.latest.time_ms
    reason, median_ms, early_ms, late_ms = due(params, truck.account, now_ms)
    state.level = level
    state.due_since_ms = round(median_ms) if median_ms <= now_ms else 0
    state.due_by = reason
    state.median_ms = median_ms
    state.early_ms = early_ms
    state.late_ms = late_ms


def words(evidence: Mapping[str, float], units: Units) -> Words:
    """Say it to a person."""
    ways = {
        "heat": evidence["share_by_heat"],
        "distance": evidence["share_by_distance"],
        "age": evidence["share_by_age"],
    }
    known = {name: share for name, share in ways.items() if not math.isnan(share)}
    reason = REASONS[int(evidence["due_by"])]
    overdue = max(known.values()) >= DUE
    listed = ", ".join(f"{name} {value:.0%}" for name, value in known.items())
    return Words(
        title=due_in_words(
            units,
            reason,
            overdue=overdue,
            median_ms=evidence["due_median_ms"],
            early_ms=evidence["due_early_ms"],
            late_ms=evidence["due_late_ms"],
        ),
        observed=(
            f"Share of each limit used: {listed}. Driven since the last service: "
            f"{units.length(evidence['distance_km'])} of "
            f"{units.length(evidence['distance_limit_km'])}; on this fill "
            f"{units.length(evidence['unseen_km'])} unseen: before the first data, or in gaps."
        ),
        expected="Service at the first limit that is reached: heat, distance or age.",
        doubts=(
            "The heat account rests on the fluid's life chart and on one sensor; a laboratory sample "
            "says more. The dates hold if the truck goes on as in the last weeks: other work, another "
            "driver or weeks at rest move them."
        ),
        action="Service the fluid now." if overdue else "Book a fluid and filter service.",
        driver=(ON_THE_ROAD_NOTHING,),
        technician=AT_THE_FLUID,
        at_once="Service the fluid now" if overdue else "Book fluid and filter",
        sure=(
            "Distance and age are counted; what was not seen is estimated. The share of heat is a best "
            "estimate by a life chart: until a laboratory sample says more, the true one may well be "
            "half or twice as much."
        ),
    )


SERVICE_DUE = Detector(
    kind="service_due",
    params=ServiceParams,
    state=State,
    evidence=(
        "share_by_heat",
        "share_by_distance",
        "share_by_age",
        "distance_km",
        "distance_limit_km",
        "age_days",
        "unseen_km",
        "due_by",
        "due_median_ms",
        "due_early_ms",
        "due_late_ms",
    ),
    step=step,
    on_delay_s=0.0,
    off_delay_s=0.0,
    words=words,
)
