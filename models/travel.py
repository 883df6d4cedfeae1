"""Distance: by odometer where there is one, else by speed; over gaps it is unseen."""

from __future__ import annotations

import math

from models.compiled import compiled
from models.layout import Layout
from models.odometer import (
    BEFORE,
    BLIND_BREAK,
    BREAK,
    NOTHING,
    ROLLOVER,
    STUCK,
    Odometer,
    ahead_km,
    believe_jump,
    fall_silent,
    go_on,
    is_near,
    reach_km,
    read,
    tick,
)
from models.sums import add
from models.view import View


class Travel(Layout):
    """State: distance since the fill went in, and how it was come by."""

    distance_km: float
    distance_rest: float
    unseen_km: float  # in gaps, and before the first sample
    unseen_s: float  # without a reading of the fluid and not known to be parked
    fluid_unseen_km: float  # ran unseen for so far; thinned by a pan drop, as the fluid is
    fluid_unseen_run_s: float  # ran unseen for so long; never both for one gap
    towing_km: float  # with a trailer
    trailer_known_km: float  # with or without one; what is unseen is neither
    odometer: Odometer
    breaks: int  # times the counter went on from another value
    unknown_breaks: int  # those over which no speed told the distance
    last_break_ms: int  # 0: never
    rollovers: int
    stuck: int  # times the counter stood still while the truck drove


@compiled
def _count(travelled: Travel, km: float) -> None:
    travelled.distance_km, travelled.distance_rest = add(
        travelled.distance_km, travelled.distance_rest, km
    )


@compiled
def _count_seen(travelled: Travel, km: float, trailer: float) -> None:
    """Count distance [km] that samples were there for; a correction takes back what it gave at most."""
    _count(travelled, km)
    if not math.isnan(trailer):
        travelled.trailer_known_km = max(0.0, travelled.trailer_known_km + km)
        if trailer > 0.5:
            travelled.towing_km = max(0.0, travelled.towing_km + km)


@compiled
def _note(travelled: Travel, outcome: int, time_ms: int) -> None:
    if outcome in (BREAK, BLIND_BREAK):
        travelled.breaks += 1
        travelled.last_break_ms = time_ms
        if outcome == BLIND_BREAK:
            travelled.unknown_breaks += 1
    elif outcome == ROLLOVER:
        travelled.rollovers += 1
    elif outcome == STUCK:
        travelled.stuck += 1


@compiled
def travel(travelled: Travel, installed_odometer_km: float, view: View) -> tuple[float, float]:
    """Count distance: by odometer where there is one, else by speed; over gaps it is unseen.

    Parameters
    ----------
    travelled
        Changed in place.
    installed_odometer_km
        The counter when the fill went in [km], NaN if it is not known.
    view
        The truck at the newest sample.

    Returns
    -------
    tuple
        Driven over silences [km], where the counter now tells: over those that ended before this sample,
        and over those up to it; NaN where it does not tell.
    """
    odometer = travelled.odometer
    by_speed = 0.0
    if view.gap_s > 0.0:
        fall_silent(odometer)
    elif view.dt_s > 0.0:
        blind = math.isnan(view.speed_km_h)
        by_speed = 0.0 if blind else view.speed_km_h * view.dt_s / 3600.0
        go_on(odometer, by_speed, blind)
    if math.isnan(view.odometer_km) or _says_nothing(odometer, view):
        _count_seen(travelled, by_speed, view.trailer)
        return math.nan, math.nan
    moved = tick(odometer, view.odometer_km, view.time_ms)
    if not math.isnan(moved):
        _count_seen(travelled, by_speed + moved, view.trailer)
        return math.nan, math.nan
    earlier = math.nan
    if odometer.jump == 1 and not is_near(odometer, view.odometer_km, view.time_ms):
        earlier = _believe_jump(travelled, installed_odometer_km, view)
    step, over, outcome = read(odometer, view.odometer_km, view.time_ms)
    if over > 0.0:
        _count(travelled, over)
        travelled.unseen_km += over
        step -= over
    _count_seen(travelled, by_speed + step, view.trailer)
    if outcome != NOTHING:
        _note(travelled, outcome, view.time_ms)
    return earlier, over


@compiled
def _says_nothing(odometer: Odometer, view: View) -> bool:
    """A counter at zero is one that is not there, unless it has just passed its last figure."""
    if view.odometer_km > 0.0:
        return False
    reach = reach_km(view.time_ms - odometer.time_ms)
    return odometer.known == 0 or ahead_km(odometer.km, view.odometer_km, reach) < 0.0


@compiled
def _believe_jump(travelled: Travel, installed_odometer_km: float, view: View) -> float:
    """Believe the reading that waited, if the newest goes on from it; give what it tells of silences [km]."""
    odometer = travelled.odometer
    jump_ms = odometer.jump_ms
    step, over, outcome = believe_jump(
        odometer, installed_odometer_km, view.odometer_km, view.time_ms
    )
    _count(travelled, step)
    if outcome == BEFORE:
        # Driven on this fill before the first sample: known distance, unseen heat.
        travelled.unseen_km += step
        travelled.fluid_unseen_km += step
    elif not math.isnan(over):
        travelled.unseen_km += over
    _note(travelled, outcome, jump_ms)
    return over


@compiled
def distance_km(travelled: Travel) -> float:
    """Distance driven on the fill, what was not seen included [km]."""
    return travelled.distance_km + travelled.distance_rest
