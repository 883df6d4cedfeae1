"""A truck's habits: what its days cost, and what a kilometre or an hour of running costs its fluid."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from models.compiled import compiled
from models.heat_sums import Heat
from models.layout import Layout
from models.soak import Soak
from models.travel import Travel, distance_km
from models.view import View

DAYS = 84
"""Days remembered one by one [d]: twelve weeks."""

DAY_MS = 86_400_000
"""A day [ms]. Days are those of UTC: which truck is at home where changes nothing over weeks."""

PRIOR_KM = 200.0
PRIOR_RUN_S = 4.0 * 3600.0
"""How much seen driving [km, s] the assumed rate is worth. Own choice: about a day's work; doubled, a
new truck's own rate takes two days to count as much as the assumed one."""

Ring = Annotated[NDArray[np.float64], DAYS]


class HabitParams(Layout):
    """What is assumed of a truck of which little has been seen."""

    equivalent_s_per_km: float
    equivalent_s_per_run_s: float
    km_per_day: float


class Habits(Layout):
    """State: what the last days cost, by day (UTC) modulo ``DAYS``, and sums over all that was seen.

    Marks are the totals of the account at the newest sample: what is more at the next is that
    sample's day's.
    """

    day: int  # newest day, in days since 1970; 0: no sample yet
    first_day: int
    equivalent_s: Ring
    km: Ring
    seen_equivalent_s: float
    seen_km: float
    seen_run_s: float
    mark_s: float  # equivalent seconds, measured and parked
    mark_km: float
    mark_unseen_km: float
    mark_fluid_unseen_km: float
    mark_fluid_unseen_run_s: float
    counter: int  # 1: the odometer had been read


@compiled
def note_day(
    params: HabitParams, habits: Habits, view: View, heat: Heat, soak: Soak, travel: Travel
) -> None:
    """Count the newest sample to its day.

    Parameters
    ----------
    params
        What is assumed of the truck.
    habits
        Changed in place.
    view
        The truck at the newest sample.
    heat, soak, travel
        The parts of the account, with the newest sample charged to them. What a gap cost falls
        on the day it ended.
    """
    today = view.time_ms // DAY_MS
    if habits.day == 0:
        habits.day = today
        habits.first_day = today
        rebase(habits, heat, soak, travel)
        return
    if today > habits.day:
        _turn(habits, today)
    if habits.counter == 0 and travel.odometer.known == 1:
        # The counter's first reading may tell of months before the first sample.
        habits.mark_km += travel.unseen_km - habits.mark_unseen_km
        habits.mark_unseen_km = travel.unseen_km
        habits.mark_fluid_unseen_km = travel.fluid_unseen_km
    seen_s = _equivalent_s(heat, soak) - habits.mark_s
    unseen_s = (travel.fluid_unseen_km - habits.mark_fluid_unseen_km) * per_km_s(
        params, habits
    ) + (travel.fluid_unseen_run_s - habits.mark_fluid_unseen_run_s) * per_run_s(params, habits)
    km = distance_km(travel) - habits.mark_km
    place = today % DAYS
    habits.equivalent_s[place] += seen_s + unseen_s
    habits.km[place] += km
    habits.seen_equivalent_s += seen_s
    if view.fluid_ms > 0:
        # Driving without a reading of the fluid says nothing of what driving costs it.
        habits.seen_km += km - (travel.unseen_km - habits.mark_unseen_km)
    if view.rpm > 0.0 or view.speed_km_h > 0.0:
        habits.seen_run_s += view.fluid_dt_s
    rebase(habits, heat, soak, travel)


@compiled
def rebase(habits: Habits, heat: Heat, soak: Soak, travel: Travel) -> None:
    """Mark the totals as they are: what a service entry made of them is no day's use."""
    habits.mark_s = _equivalent_s(heat, soak)
    habits.mark_km = distance_km(travel)
    habits.mark_unseen_km = travel.unseen_km
    habits.mark_fluid_unseen_km = travel.fluid_unseen_km
    habits.mark_fluid_unseen_run_s = travel.fluid_unseen_run_s
    habits.counter = travel.odometer.known


@compiled
def per_km_s(params: HabitParams, habits: Habits) -> float:
    """Equivalent seconds that a kilometre costs this truck's fluid [s/km], by what was seen of it."""
    prior_s = params.equivalent_s_per_km * PRIOR_KM
    seen_km = max(0.0, habits.seen_km)
    return (prior_s + max(0.0, habits.seen_equivalent_s)) / (PRIOR_KM + seen_km)


@compiled
def per_run_s(params: HabitParams, habits: Habits) -> float:
    """Equivalent seconds that a second of running costs this truck's fluid [-], by what was seen of it."""
    prior_s = params.equivalent_s_per_run_s * PRIOR_RUN_S
    seen_s = max(0.0, habits.seen_equivalent_s)
    return (prior_s + seen_s) / (PRIOR_RUN_S + habits.seen_run_s)


@compiled
def per_km_run_s(habits: Habits) -> float:
    """How long a kilometre takes this truck, standing with the engine on included [s/km]."""
    seen_km = max(0.0, habits.seen_km)
    return (PRIOR_RUN_S + habits.seen_run_s) / (PRIOR_KM + seen_km)


@compiled
def _equivalent_s(heat: Heat, soak: Soak) -> float:
    return heat.equivalent_s + heat.equivalent_rest + soak.equivalent_s


@compiled
def _turn(habits: Habits, today: int) -> None:
    """Begin a new day; the days in between cost nothing."""
    for day in range(max(habits.day + 1, today - DAYS + 1), today + 1):
        habits.equivalent_s[day % DAYS] = 0.0
        habits.km[day % DAYS] = 0.0
    habits.day = today
