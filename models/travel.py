"""Distance: by odometer where there is one, else by speed; over gaps it is unseen."""

from __future__ import annotations

import math

from models.compiled import compiled
from models.layout import Layout
from models.sums import add
from models.view import View

_FASTEST_KM_H = 200.0


class Travel(Layout):
    """State: distance since the fill went in, and how it was come by."""

    distance_km: float
    distance_rest: float
    unseen_km: float
    unseen_s: float
    fluid_unseen_km: float  # thinned by a pan drop, as the fluid is
    fluid_unseen_run_s: float
    odometer_km: float
    odometer_ms: int
    speed_km_since: float  # distance from speed since the odometer was last read [km]
    gap_since: int  # 1: a gap lay between then and now
    towing_km: float  # of what was driven, known to be with a trailer
    trailer_known_km: float  # of what was driven, known to be with a trailer or without


@compiled
def travel(travelled: Travel, installed_odometer_km: float, view: View) -> None:
    """Count distance: by odometer where there is one, else by speed; over gaps it is unseen."""
    odometer = view.odometer_km
    by_speed = 0.0
    if view.dt_s > 0.0 and not math.isnan(view.speed_km_h):
        by_speed = view.speed_km_h * view.dt_s / 3600.0
    if view.gap_s > 0.0:
        travelled.gap_since = 1
    if math.isnan(odometer):
        travelled.distance_km, travelled.distance_rest = add(
            travelled.distance_km, travelled.distance_rest, by_speed
        )
        travelled.speed_km_since += by_speed
        return
    if travelled.odometer_km < 0.0:
        step = by_speed
        before = odometer - installed_odometer_km - travelled.speed_km_since - by_speed
        if before >= 0.0:
            # Driven on this fill before the first sample: known distance, unseen heat.
            step += before
            travelled.unseen_km += before
    else:
        step = odometer - travelled.odometer_km - travelled.speed_km_since
        # The counter may come more rarely than the samples, and a gap may lie in between.
        reach_km = _FASTEST_KM_H * (view.time_ms - travelled.odometer_ms) / 3_600_000.0 + 2.0
        if odometer < travelled.odometer_km or step > reach_km:
            step = by_speed  # the counter was reset or jumped: do not believe the difference
        elif travelled.gap_since == 1:
            travelled.unseen_km += max(step, 0.0)
    step = max(step, -travelled.speed_km_since)
    travelled.distance_km, travelled.distance_rest = add(
        travelled.distance_km, travelled.distance_rest, step
    )
    travelled.odometer_km = odometer
    travelled.odometer_ms = view.time_ms
    travelled.speed_km_since = 0.0
    travelled.gap_since = 0


@compiled
def distance_km(travelled: Travel) -> float:
    """Distance driven on the fill, what was not seen included [km]."""
    return travelled.distance_km + travelled.distance_rest
