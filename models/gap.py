"""What a gap was: the fluid's readings stopped, and the truck ran on, or was parked.

The time from one reading of the fluid to the next, when it is too long to count as seen, is made of
pieces. Where other samples came, they say whether the engine was off; one that does not say so ran.
Of a silence the counters tell, as soon as they come again; where there are none, the fluid's temperature
after it.
"""

from __future__ import annotations

import math

from models.cold_soak import LEAST_PARKED_S, SETTLED_K
from models.compiled import compiled
from models.heat_sums import Heat
from models.hours import TICK_S, Hours, ran_s, take
from models.layout import Layout
from models.odometer import TICK_KM
from models.soak import (
    REHEATED_K,
    Soak,
    SoakParams,
    ambient_c,
    cooled_c,
    time_constant_s,
)
from models.travel import Travel
from models.view import View

WARM_C = 50.0
"""Fluid at least so warm [°C] after a silence may have been heated in it. Own choice; below, sun and a warm
hall may do it too."""

HOTTEST_START_C = 120.0
"""What fluid that nobody read may have been at the start of a silence [°C]. Own choice."""

SHORT_S = 3600.0
"""In a silence shorter than this [s] a truck that was moving went on, if nothing tells. Own choice; doubled,
more stops for loading count as running."""

HALF = 0.5
LONGEST_HALF_S = 12.0 * 3600.0
"""A truck that ran in a silence, nothing tells for how long, ran for half of it [-], 12 h at most [s]. Own
choice: both are the middle of what is possible, so that the estimate is off by no more than itself."""

FIRST_READING_S = 60.0
"""A reading so long after a silence still shows how warm the truck was at its end [s]. Own choice."""

PATIENCE_S = 900.0
"""How long a counter is waited for after a silence before it is judged without [s]. Own choice: some are
asked for once in minutes. Doubled, the account shows the gap so much later."""

LAST_AIR_S = 24.0 * 3600.0
"""How long the last known outside air stands for the present [s]. Own choice."""

PARKED, RAN_BY_HOURS, RAN_BY_KM, RAN_THROUGH, RAN_FOR_HALF = 0, 1, 2, 3, 4


class Gap(Layout):
    """State: what is not read of the fluid just now, and the last silence until it is judged."""

    unread_ms: int  # since when the fluid was not read: its last reading, or the first sample
    run_s: float  # since then, in samples without it: the engine ran
    off_s: float  # the same: the engine was off
    run_due_s: float  # of both, what is not charged: the span may still count as seen
    off_due_s: float
    silences: int  # since then
    cooled: int  # 1: the fluid is estimated at ``cooled_c``, parked since
    cooled_c: float
    air_ms: int  # last known outside air
    air_c: float
    night_done: int  # 1: the sensor was checked since the truck was parked
    paid: int  # 1: a silence is charged by time over which the odometer may yet tell a distance
    open: int  # 1: a silence waits to be judged
    start_ms: int
    end_ms: int
    start_c: float  # the fluid, NaN: not known
    measured: int  # 1: read, not estimated
    start_air_c: float
    off_before_s: float  # engine off before it, since the fluid's last reading
    still_before_s: float
    was_moving: int
    ran_after: int  # 1: the engine was seen to run since
    end_c: float  # first readings after it, NaN: none yet
    end_air_c: float
    end_coolant_c: float
    end_late_s: float  # at most so long the engine ran before it was read; the coolant
    end_coolant_late_s: float
    spacing_s: float  # of samples while the engine runs
    km: float  # driven over it, NaN: the odometer has not told
    ran_s: float  # the same of the engine hours
    hours_came: int


@compiled
def begin_unread(gap: Gap, now_ms: int) -> None:
    """The fluid was read at ``now_ms``: nothing is unread."""
    gap.unread_ms = now_ms
    gap.run_s = 0.0
    gap.off_s = 0.0
    gap.run_due_s = 0.0
    gap.off_due_s = 0.0
    gap.silences = 0
    gap.cooled = 0


@compiled
def open_gap(gap: Gap, heat: Heat, soak: Soak, view: View, max_gap_s: float) -> None:
    """A silence ended with the newest sample: keep what was known before it."""
    gap.open = 1
    gap.end_ms = view.time_ms
    gap.start_ms = view.time_ms - round(view.gap_s * 1000.0)
    gap.start_c = math.nan
    gap.measured = 0
    if heat.fluid_ms > 0 and gap.silences == 0 and gap.run_s <= max_gap_s:
        gap.start_c = heat.fluid_c
        gap.measured = 1
    elif gap.cooled == 1:
        gap.start_c = gap.cooled_c
    known = gap.air_ms > 0 and gap.start_ms - gap.air_ms <= LAST_AIR_S * 1000.0
    gap.start_air_c = gap.air_c if known else math.nan
    gap.off_before_s = gap.off_s
    gap.still_before_s = soak.still_s
    gap.was_moving = view.was_moving
    gap.ran_after = 0
    gap.end_c = math.nan
    gap.end_air_c = math.nan
    gap.end_coolant_c = math.nan
    gap.km = math.nan
    gap.ran_s = math.nan
    gap.hours_came = 0
    gap.silences += 1
    gap.off_s = 0.0


@compiled
def span_s(gap: Gap) -> float:
    """Length of the silence [s]."""
    return (gap.end_ms - gap.start_ms) / 1000.0


@compiled
def take_hours(gap: Gap, hours: Hours, reading_h: float) -> None:
    """Take a reading of the engine hours [h]."""
    if gap.open == 1 and gap.hours_came == 0:
        gap.hours_came = 1
        gap.ran_s = ran_s(hours, reading_h, span_s(gap))
    take(hours, reading_h)


@compiled
def take_first_readings(gap: Gap, view: View) -> None:
    """Keep the first readings after the silence while they still show how warm the truck was."""
    if view.time_ms - gap.end_ms > FIRST_READING_S * 1000.0:
        return
    late_s = (view.time_ms - gap.end_ms) / 1000.0 + 0.5 * gap.spacing_s
    if math.isnan(gap.end_c):
        gap.end_c = view.fluid_c
        gap.end_late_s = late_s
    if math.isnan(gap.end_air_c):
        gap.end_air_c = view.air_c
    if math.isnan(gap.end_coolant_c):
        gap.end_coolant_c = view.coolant_c
        gap.end_coolant_late_s = late_s


@compiled
def is_ready(gap: Gap, travelled: Travel, hours: Hours, now_ms: int) -> bool:
    """Say whether all that can tell of the silence has told, or has been waited for."""
    waited_s = (now_ms - gap.end_ms) / 1000.0
    if waited_s > PATIENCE_S:
        return True
    if math.isnan(gap.end_c) and waited_s <= FIRST_READING_S:
        return False
    if hours.known == 1 and gap.hours_came == 0:
        return False
    odometer = travelled.odometer
    return odometer.known == 0 or odometer.stuck == 1 or not math.isnan(gap.km)


@compiled
def verdict(gap: Gap, params: SoakParams, soak: Soak) -> int:
    """Say what the silence was, by all that has told of it."""
    short = gap.was_moving == 1 and span_s(gap) < SHORT_S
    if gap.ran_s > TICK_S:
        return RAN_BY_HOURS
    if gap.km > TICK_KM or (short and gap.km > 0.0):
        return RAN_BY_KM
    if not (math.isnan(gap.ran_s) and math.isnan(gap.km)):
        return PARKED
    if short:
        return RAN_THROUGH
    return RAN_FOR_HALF if _was_heated(gap, params, soak) else PARKED


@compiled
def _was_heated(gap: Gap, params: SoakParams, soak: Soak) -> bool:
    """Say that the fluid is much hotter than cooling allows."""
    if math.isnan(gap.end_c) or gap.end_c <= WARM_C:
        return False
    start_c = HOTTEST_START_C if math.isnan(gap.start_c) else gap.start_c
    air = ambient_c(gap.start_air_c, gap.end_c)
    cold_c = cooled_c(start_c, air, time_constant_s(params, soak), span_s(gap))
    return gap.end_c > cold_c + REHEATED_K


@compiled
def has_settled(
    params: SoakParams, soak: Soak, start_c: float, air_c: float, span_s: float
) -> bool:
    """Say whether a truck parked overnight has come down to the outside air.

    Parameters
    ----------
    params, soak
        Of the truck; ``soak.still_s`` is how long it was parked.
    start_c
        The fluid as it was read while parked, NaN if it was not [°C].
    air_c
        Outside air [°C].
    span_s
        How long ago that was [s].
    """
    if soak.still_s < LEAST_PARKED_S:
        return False
    tau_s = time_constant_s(params, soak)
    if cooled_c(HOTTEST_START_C, air_c, tau_s, soak.still_s) - air_c <= SETTLED_K:
        return True
    return abs(cooled_c(start_c, air_c, tau_s, span_s) - air_c) <= SETTLED_K
