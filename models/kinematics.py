"""Speeds in the gearbox, per truck: with its clutch closed, the engine turns as the wheels do.

In each gear the ratio of engine speed to road speed is learned while the clutch is commanded on and the
engine does not pull: then nothing slips, whatever the clutch is worth. Under load the engine's lead over
that ratio is the slip; with the clutch open it is the converter's. Gears that never lock are learned
coasting, less exactly. Learning from overrun keeps a slipping clutch from becoming the normal; until a
gear has shown one, what it did pulling stands in, and only a change of that can be seen.
"""

from __future__ import annotations

import math

from models.compiled import compiled
from models.gear_ratio import (
    GEARS,
    HIGHER_WINS_S,
    KNOWN_S,
    LONGEST_S,
    LOWER_WINS_S,
    PULL_KNOWN_S,
    PULL_LOWER_WINS_S,
    SLIP_WINS_S,
    GearRatios,
    highest,
    ratio_sd,
    take_reading,
    turbine_ratio,
)
from models.layout import Layout
from models.view import View

LIGHT_SHARE = 0.03
"""Share of the rated torque up to which the engine does not pull [-]: what pump and drag take. Own choice;
with twice as much a slipping clutch could be taken in at a light foot."""

PULL_SHARE = 0.12
"""Share of the rated torque from which it does [-]; own choice."""

LEAST_KM_H = 25.0
COAST_KM_H = 10.0
"""Road speed below which a ratio is not learned with the clutch closed, and with it open [km/h]: an error of
0.5 km/h would be 2 %, and 5 %."""

STEADY_KM_H_S = 0.8
"""Change of road speed up to which two signals read a moment apart still fit [km/h per s]."""

SETTLED_S = 5.0
"""How long gear and clutch must have been as they are [s]; common practice: a change takes 1 to 3."""

LEAST_RPM = 300.0
"""Engine speed below which it does not run by itself [1/min]; common practice."""

FRESH_MS = 12_000
"""How old gear and clutch may be beside speeds that are of this sample [ms]."""

IDLE_RISE = 1.2
"""Engine speed over idle from which the wheels, and not the idle governor, turn a coasting engine [-]; own
choice."""

LAG_S = 0.7
"""How long after each other two signals of one sample may have been read [s]; own choice."""

SMOOTH_S = 30.0
"""Time over which the estimated slip is smoothed for the heat [s]."""

RATIO_HELD_MS = 15_000
"""How long a speed ratio holds until both speeds are read together again [ms]."""

SLIP_SIGNAL_SD_RPM = 3.0
SPEED_SD_KM_H = 0.3
"""Errors of a measured slip [1/min] and of a road speed, in tenths or in whole km/h [km/h]; own choice."""

PULL_SLIP_RPM = 12.0
"""Slip taken to be in a ratio that was learned pulling [1/min]; common practice, no source: 4 to 25."""

FULLEST_SLIP = 0.3
"""Lead of the engine from which the gear signal, not the clutch, is doubted [-]: the next gear's."""

LAUNCH_KM_H = 20.0
"""Below this hardly a clutch is closed [km/h]: what a slip signal says then shows what it speaks of."""

QUIET_RPM = 30.0
QUIET_S = 20.0
"""Slip at such a pull that only a signal of the clutch alone, not of the converter, would show [1/min], and
how long it must have shown no more [s]; own choice."""


class KinematicsParams(Layout):
    """What the torque of this truck is measured against [N·m]."""

    rated_torque_nm: float


class Kinematics(Layout):
    """State: ratios by gear, how long gear and clutch have stood, what follows for this sample."""

    locked: GearRatios  # clutch closed, engine not pulling
    pulling: GearRatios  # clutch closed, engine pulling: with the slip it had, held for its own
    coasting: GearRatios  # clutch open, engine not pulling
    gear: int  # 1 and up; 0: none, or not known
    gear_s: float  # since when, seen [s]
    closed: int  # 1: the clutch is closed, by its command or, without that, by its slip
    closed_s: float
    km_h: float  # road speed when it was last read, and when [ms]
    km_h_ms: int
    pace_km_h_s: float  # its change [km/h per s]
    idle_rpm: float  # lowest engine speed seen running
    pull: int  # 1 the engine pulls, -1 it does not, 0 between or not known
    measured: int  # 1: the slip is a signal
    slip_now_rpm: float  # of the closed clutch, in this sample; NaN: nothing to be said
    slip_sd_rpm: float
    proof_s: float  # evidence from overrun that an estimated slip rests on [s]
    agreed_ms: (
        int  # last overrun that agreed with the ratio of its gear: the tyres are the same
    )
    smooth_rpm: float
    smooth_s: float
    speed_ratio: float  # turbine over engine speed, clutch open
    speed_ratio_sd: float
    speed_ratio_ms: int
    quiet_s: (
        float  # pulled away with a slip signal that showed little, or a converter's slip [s]
    )
    loud_s: float


@compiled
def observe(params: KinematicsParams, state: Kinematics, view: View) -> None:
    """Take the newest sample in.

    Parameters
    ----------
    params
        Of this truck.
    state
        Changed in place.
    view
        The truck at the newest sample.
    """
    state.slip_now_rpm = math.nan
    state.slip_sd_rpm = math.nan
    paired = view.rpm_ms == view.time_ms and view.speed_ms == view.time_ms
    if view.rpm > LEAST_RPM and (state.idle_rpm == 0.0 or view.rpm < state.idle_rpm):
        state.idle_rpm = view.rpm
    _stand(state, view)
    _pull(params, state, view)
    if paired:
        _speeds(state, view)
    elif view.time_ms - state.speed_ratio_ms > RATIO_HELD_MS:
        state.speed_ratio = math.nan
    if not math.isnan(view.slip_rpm):
        _measured(state, view)


@compiled
def _stand(state: Kinematics, view: View) -> None:
    """Count how long gear and clutch have been as they are; a span that was not seen counts for nothing."""
    gear = 0 if math.isnan(view.gear) else min(GEARS, max(0, int(view.gear)))
    if gear != state.gear or view.dt_s == 0.0:
        state.gear_s = 0.0
        state.speed_ratio = math.nan
    else:
        state.gear_s += view.dt_s
    closed = 1 if view.lockup > 0.5 or _told_by_slip(state, view) else 0
    if closed != state.closed or view.dt_s == 0.0:
        state.closed_s = 0.0
        state.speed_ratio = math.nan
    else:
        state.closed_s += view.dt_s
    state.gear, state.closed = gear, closed
    if view.speed_ms == view.time_ms:
        span_s = (view.time_ms - state.km_h_ms) / 1000.0
        seen = state.km_h_ms > 0 and view.dt_s > 0.0
        state.pace_km_h_s = (view.speed_km_h - state.km_h) / span_s if seen else math.nan
        state.km_h, state.km_h_ms = view.speed_km_h, view.time_ms


@compiled
def _told_by_slip(state: Kinematics, view: View) -> bool:
    """Say that a slip without a command is the clutch's, on a truck whose signal is of the clutch alone."""
    alone = state.quiet_s >= QUIET_S and state.loud_s < 0.1 * state.quiet_s
    moving = view.speed_km_h > LEAST_KM_H
    return math.isnan(view.lockup) and alone and moving and abs(view.slip_rpm) > QUIET_RPM


@compiled
def _pull(params: KinematicsParams, state: Kinematics, view: View) -> None:
    """Say whether the engine pulls; a torque of an earlier sample says nothing of this one's speeds."""
    state.pull = 0
    if view.torque_ms == view.time_ms:
        share = view.torque_nm / params.rated_torque_nm
        state.pull = 1 if share >= PULL_SHARE else (-1 if share <= LIGHT_SHARE else 0)


@compiled
def _speeds(state: Kinematics, view: View) -> None:
    """Learn from engine and road speed of one sample, and say what slips."""
    state.speed_ratio = math.nan
    steady = abs(state.pace_km_h_s) <= STEADY_KM_H_S
    settled = state.gear_s >= SETTLED_S and state.closed_s >= SETTLED_S
    fresh = view.time_ms - view.gear_ms <= FRESH_MS and (
        math.isnan(view.lockup) or view.time_ms - view.lockup_ms <= FRESH_MS
    )
    if state.gear == 0 or not fresh or view.rpm < LEAST_RPM:
        return
    place = state.gear - 1
    if settled and steady:
        _learn(state, view, place)
    if state.closed == 0:
        _open(state, view, place)
    elif settled and steady and view.speed_km_h > LEAST_KM_H:
        _estimated(state, view, place)


@compiled
def _learn(state: Kinematics, view: View, place: int) -> None:
    reading, km_h = view.rpm / view.speed_km_h, view.speed_km_h
    blind = math.isnan(view.torque_nm)
    light = blind or state.pull < 0
    turned = view.rpm >= IDLE_RISE * state.idle_rpm
    if view.lockup > 0.5 and km_h >= LEAST_KM_H:
        if light:
            higher_s = SLIP_WINS_S if blind else HIGHER_WINS_S
            agrees = take_reading(
                state.locked, place, reading, km_h, view.dt_s, LOWER_WINS_S, higher_s
            )
            if agrees and not blind:
                state.agreed_ms = view.time_ms
        elif state.pull > 0:
            take_reading(
                state.pulling, place, reading, km_h, view.dt_s, PULL_LOWER_WINS_S, SLIP_WINS_S
            )
    elif state.pull < 0 and not view.lockup > 0.5 and km_h >= COAST_KM_H and turned:
        take_reading(
            state.coasting, place, reading, km_h, view.dt_s, LOWER_WINS_S, HIGHER_WINS_S
        )


@compiled
def _open(state: Kinematics, view: View, place: int) -> None:
    """Give the speed ratio of an open converter, NaN where no gear is known yet."""
    per_km_h, spread = turbine_ratio(state.locked, state.coasting, place)
    if view.speed_km_h < 0.5:
        per_km_h = 0.0  # stall, whatever the gear
    if math.isnan(per_km_h):
        return
    km_h = max(1.0, view.speed_km_h)
    pace = 1.0 if math.isnan(state.pace_km_h_s) else abs(state.pace_km_h_s)
    ratio = per_km_h * view.speed_km_h / view.rpm
    error = spread * spread + ((SPEED_SD_KM_H + LAG_S * pace) / km_h) ** 2
    state.speed_ratio = ratio
    state.speed_ratio_sd = ratio * math.sqrt(error)
    state.speed_ratio_ms = view.time_ms


@compiled
def _estimated(state: Kinematics, view: View, place: int) -> None:
    """Give the slip of a closed clutch from the two speeds."""
    overrun = state.locked.proof_s[place] >= KNOWN_S
    ratios = state.locked if overrun else state.pulling
    proof_s = ratios.proof_s[place]
    if proof_s < (KNOWN_S if overrun else PULL_KNOWN_S):
        return
    turbine_rpm = highest(ratios, place) * view.speed_km_h - (0.0 if overrun else PULL_SLIP_RPM)
    if abs(view.rpm - turbine_rpm) > FULLEST_SLIP * turbine_rpm:
        return
    state.measured = 0
    state.proof_s = proof_s if overrun else 0.0
    state.slip_now_rpm = view.rpm - turbine_rpm
    error = ratio_sd(proof_s) ** 2 + (SPEED_SD_KM_H / view.speed_km_h) ** 2
    state.slip_sd_rpm = turbine_rpm * math.sqrt(error)
    if overrun and math.isnan(view.slip_rpm) and state.pull >= 0:
        # Heat has no use for the noise of one reading.
        state.smooth_s = min(SMOOTH_S, state.smooth_s + view.dt_s)
        share = min(1.0, view.dt_s / max(1.0, state.smooth_s))
        state.smooth_rpm += share * (state.slip_now_rpm - state.smooth_rpm)


@compiled
def _measured(state: Kinematics, view: View) -> None:
    """Take the slip signal, and learn what it speaks of; where it is held no estimate steps in."""
    state.slip_now_rpm = math.nan
    state.slip_sd_rpm = math.nan
    if view.slip_ms != view.time_ms:
        return
    driven = view.torque_ms == view.time_ms and state.pull >= 0
    if 1.0 < view.speed_km_h < LAUNCH_KM_H and driven:
        # The first sample after a rest tells as much as one of a slow gateway.
        span_s = min(LONGEST_S, view.dt_s) if view.dt_s > 0.0 else LONGEST_S
        if abs(view.slip_rpm) < QUIET_RPM:
            state.quiet_s += span_s
        elif abs(view.slip_rpm) > 3.0 * QUIET_RPM:
            state.loud_s += span_s
    commanded = math.isnan(view.lockup) or view.time_ms - view.lockup_ms <= FRESH_MS
    if state.closed == 1 and commanded and state.closed_s >= SETTLED_S:
        state.measured = 1
        state.slip_now_rpm = view.slip_rpm
        state.slip_sd_rpm = SLIP_SIGNAL_SD_RPM
