"""The odometer as a witness: what it says is believed when the next readings go on from it.

A counter may jump for one reading, be reset, pass its last figure and begin at zero, be replaced with
another, stand still while the truck drives, or be away for a while. Distance goes by speed meanwhile;
what the counter adds to that or takes back is worked out here, what came of it is counted in
``models.travel``.
"""

from __future__ import annotations

import math

from models.compiled import compiled
from models.layout import Layout
from models.units import KM_PER_MILE

TICK_KM = 2.0
"""What a counter may be behind or ahead and still agree [km]: one tick of a counter of whole miles, and a
little. Own choice; doubled, twice as much may be driven in a gap that counts as parked."""

STUCK_KM = 5.0
"""A counter that has not changed after this distance by speed is stuck [km]. Own choice; doubled, a stuck
counter is noticed twice as late, and no distance is lost."""

FASTEST_KM_H = 200.0
SUSTAINED_KM_H = 110.0
"""What a truck may have driven within an hour, and in each hour after [km/h]. Own choice; doubled, wild
readings of up to twice the size wait for no proof where there is no speed."""

SPEED_SHARE = 0.2
"""How far distance by speed may be off [-]: tyres and axle other than the gauge thinks. Own choice."""

WRAP_KM = 1_000_000.0
WRAP_MI_KM = 1_000_000.0 * KM_PER_MILE
"""Where a counter of six figures begins at zero again [km]: after 999,999.9 km or miles. Own choice; the
counter of the truck bus runs far beyond (SAE J1939-71, SPN 245: to 526,385,151.9 km)."""

NOTHING, BEFORE, BREAK, BLIND_BREAK, ROLLOVER, STUCK = 0, 1, 2, 3, 4, 5


class Odometer(Layout):
    """State: the reading that is believed, and one that waits for the next to go on from it."""

    known: int  # 1: a reading is believed
    km: float
    time_ms: int
    before_km: float  # the reading believed before it, if no silence lay between; else the same
    since_km: float  # by speed since the believed reading, counted as distance already
    gaps: int  # silences since
    blind: int  # 1: there was no speed for some of the time since
    stuck: int  # 1: it does not move while the truck does
    jump: int  # 1: a reading waits, with the same since it
    jump_km: float
    jump_ms: int
    jump_since_km: float
    jump_gaps: int
    jump_blind: int
    wild: int  # readings that nothing went on from


@compiled
def reach_km(span_ms: int) -> float:
    """How far a truck may have come in a span [ms, km], one tick of the counter included."""
    hours = span_ms / 3_600_000.0
    first = min(hours, 1.0)
    return TICK_KM + FASTEST_KM_H * first + SUSTAINED_KM_H * (hours - first)


@compiled
def _reach_km(odometer: Odometer, at_ms: int, since_km: float) -> float:
    """How far ahead of the believed reading one may be [km], ``since_km`` by speed after it."""
    by_speed = TICK_KM + (1.0 + SPEED_SHARE) * since_km
    return max(by_speed, reach_km(at_ms - odometer.time_ms))


@compiled
def ahead_km(from_km: float, to_km: float, within_km: float) -> float:
    """How far a reading is ahead of another [km]; over the last figure where that is within reach."""
    ahead = to_km - from_km
    if ahead < 0.0:
        for wrap_km in (WRAP_KM, WRAP_MI_KM):
            wrapped = ahead + wrap_km
            if from_km <= wrap_km and 0.0 <= wrapped <= within_km:
                return wrapped
    return ahead


@compiled
def go_on(odometer: Odometer, by_speed_km: float, blind: bool) -> None:
    """Pass the time from one sample to the next [km]; ``blind``: there is no speed."""
    odometer.since_km += by_speed_km
    if blind:
        odometer.blind = 1
    if odometer.jump == 1:
        odometer.jump_since_km += by_speed_km
        if blind:
            odometer.jump_blind = 1


@compiled
def fall_silent(odometer: Odometer) -> None:
    """Pass a silence."""
    odometer.gaps += 1
    odometer.jump_gaps += 1


@compiled
def _wait(odometer: Odometer, reading_km: float, now_ms: int) -> None:
    odometer.wild += odometer.jump
    odometer.jump = 1
    odometer.jump_km = reading_km
    odometer.jump_ms = now_ms
    odometer.jump_since_km = 0.0
    odometer.jump_gaps = 0
    odometer.jump_blind = 0


@compiled
def _believe(odometer: Odometer, reading_km: float, now_ms: int, before_km: float) -> None:
    odometer.wild += odometer.jump
    odometer.jump = 0
    odometer.known = 1
    odometer.km = reading_km
    odometer.time_ms = now_ms
    odometer.before_km = before_km
    odometer.since_km = 0.0
    odometer.gaps = 0
    odometer.blind = 0
    odometer.stuck = 0


@compiled
def _believe_waiting(odometer: Odometer) -> None:
    since_km, gaps, blind = odometer.jump_since_km, odometer.jump_gaps, odometer.jump_blind
    odometer.jump = 0
    _believe(odometer, odometer.jump_km, odometer.jump_ms, odometer.jump_km)
    odometer.since_km, odometer.gaps, odometer.blind = since_km, gaps, blind


@compiled
def _falls_behind(ahead_km: float, since_km: float) -> bool:
    """Say whether the counter did not count while the truck drove, as speed says [km]."""
    return ahead_km - since_km < -TICK_KM - SPEED_SHARE * since_km


@compiled
def _fits(odometer: Odometer, ahead_km: float) -> bool:
    """Say whether a reading so far ahead [km] is what the time since the believed one leads to expect."""
    since = odometer.since_km
    if _falls_behind(ahead_km, since):
        return False
    if odometer.gaps > 0:
        return ahead_km - since <= TICK_KM
    if odometer.blind == 1 and odometer.stuck == 0:
        return True
    return ahead_km - since <= TICK_KM + SPEED_SHARE * since


@compiled
def believe_jump(
    odometer: Odometer, installed_km: float, reading_km: float, now_ms: int
) -> tuple[float, float, int]:
    """Believe the reading that waits, if this one goes on from it.

    Parameters
    ----------
    odometer
        Changed in place; only with a reading that waits.
    installed_km
        The counter when the fill went in [km], NaN if it is not known.
    reading_km, now_ms
        The newest reading [km] and its time [Unix ms].

    Returns
    -------
    tuple
        What to add to the distance [km]; of it driven over silences [km], NaN if that is not told; what
        came of it.
    """
    if not 0.0 <= reading_km - odometer.jump_km <= reach_km(now_ms - odometer.jump_ms):
        return 0.0, math.nan, NOTHING
    step, over, outcome = 0.0, math.nan, NOTHING
    since = odometer.since_km - odometer.jump_since_km
    reach = _reach_km(odometer, odometer.jump_ms, since)
    ahead = ahead_km(odometer.km, odometer.jump_km, reach)
    silent = odometer.gaps > odometer.jump_gaps
    if odometer.known == 0:
        before = odometer.jump_km - installed_km - since
        if before > 0.0:
            step, outcome = before, BEFORE
    elif 0.0 <= ahead <= reach and not _falls_behind(ahead, since) and odometer.stuck == 0:
        step = ahead - since
        over = max(step, 0.0) if silent else math.nan
        outcome = ROLLOVER if odometer.jump_km < odometer.km else NOTHING
    else:
        outcome = BLIND_BREAK if silent or odometer.blind == 1 else BREAK
    _believe_waiting(odometer)
    return step, over, outcome


@compiled
def _unchanged(odometer: Odometer, now_ms: int) -> tuple[float, float, int]:
    """The counter stands where it stood: nothing driven, or it is stuck."""
    odometer.wild += odometer.jump
    odometer.jump = 0
    odometer.time_ms = now_ms
    if odometer.stuck == 1:
        return 0.0, math.nan, NOTHING
    if odometer.since_km > STUCK_KM:
        odometer.stuck = 1
        return 0.0, math.nan, STUCK
    over = 0.0 if odometer.gaps > 0 else math.nan
    odometer.gaps = 0
    return 0.0, over, NOTHING


@compiled
def tick(odometer: Odometer, reading_km: float, now_ms: int) -> float:
    """Give what ``read`` adds to the distance [km] in the plainest case, NaN in all others: only faster."""
    if odometer.known == 0 or odometer.jump == 1 or odometer.gaps > 0 or odometer.stuck == 1:
        return math.nan
    ahead = reading_km - odometer.km
    moved = ahead - odometer.since_km
    if not (0.0 < ahead <= TICK_KM and abs(moved) <= TICK_KM):
        return math.nan
    odometer.before_km = odometer.km
    odometer.km = reading_km
    odometer.time_ms = now_ms
    odometer.since_km = 0.0
    odometer.blind = 0
    return moved


@compiled
def read(odometer: Odometer, reading_km: float, now_ms: int) -> tuple[float, float, int]:
    """Take a reading of the counter [km] at ``now_ms``; give the same as ``believe_jump``."""
    if odometer.known == 0:
        _wait(odometer, reading_km, now_ms)
        return 0.0, math.nan, NOTHING
    reach = _reach_km(odometer, now_ms, odometer.since_km)
    ahead = ahead_km(odometer.km, reading_km, reach)
    if ahead == 0.0 or -TICK_KM <= reading_km - odometer.km < odometer.before_km - odometer.km:
        return _unchanged(odometer, now_ms)
    moved = ahead - odometer.since_km
    if odometer.before_km <= reading_km < odometer.km:
        # The reading before was wild, by too little to be noticed then: it is taken back.
        _believe(odometer, reading_km, now_ms, odometer.before_km)
        return moved, math.nan, NOTHING
    if not (0.0 <= ahead <= reach and _fits(odometer, ahead)):
        _wait(odometer, reading_km, now_ms)
        return 0.0, math.nan, NOTHING
    outcome = ROLLOVER if reading_km < odometer.km else NOTHING
    silent = odometer.gaps > 0
    before_km = reading_km if silent or outcome == ROLLOVER else odometer.km
    _believe(odometer, reading_km, now_ms, before_km)
    return moved, max(moved, 0.0) if silent else math.nan, outcome


@compiled
def is_near(odometer: Odometer, reading_km: float, now_ms: int) -> bool:
    """Say whether a reading goes on from the believed one as speed says: what waits is wild then."""
    if odometer.known == 0 or odometer.stuck == 1:
        return False
    ahead = ahead_km(odometer.km, reading_km, reach_km(now_ms - odometer.time_ms))
    return ahead >= 0.0 and abs(ahead - odometer.since_km) <= TICK_KM
