"""Hypothesis: the converter clutch slips under load while it is commanded on.

Minutes of driving with the clutch closed and the engine pulling are weighed one by one: does the slip
belong to what this truck's sound clutch does, or to one that slips by ``EXTRA_RPM`` more? The evidence is
summed over every moment at which the fault may have begun (``models.sequential``). Where no signal tells
the slip it is the engine's lead over the wheels (``models.kinematics``), and other tyres could feign it.
"""

from __future__ import annotations

import math

from models.compiled import compiled
from models.detector import Detector, Truck
from models.layout import Layout
from models.sequential import ShiryaevRoberts, suspect, threshold
from models.slip_words import words

WINDOW_S = 60.0
"""Driving under load in one window [s]. Half of it would double the weight of what neighbours share."""

LONGEST_S = 30.0
"""Most that one sample counts for [s]: two readings at least make a window."""

STALE_MS = 900_000
"""A window that has waited for more than this begins anew [ms]; own choice."""

USUAL_RPM = 12.0
MOST_USUAL_RPM = 50.0
"""Slip under load taken as this truck's own until it is learned, and the most that is ever learned [1/min].
Common practice, no source: 4 to 25, some tens where slip is controlled."""

USUAL_PROOF_S = 300.0
USUAL_KEPT_S = 7200.0
"""Driving that the first value is worth, and over which the learned one is an average [s]; own choice."""

EXTRA_RPM = 90.0
"""Slip beyond the truck's own that is looked for [1/min]; half-way to it a window speaks neither way. Own
choice; with half as much a clutch whose slip is controlled would be accused."""

LEAST_LIMIT_RPM = 60.0
"""No slip below this speaks for a fault [1/min]; common practice, no source."""

WINDOW_SD_RPM = 12.0
"""How far a minute's slip of a sound clutch scatters about its own normal [1/min]; own choice."""

BLIND_RPM = 10.0
"""Without a torque: slip from which the engine is taken to pull [1/min]."""

FULL_SLIP_RPM = 500.0
"""More than this counts as this [1/min]: one wild reading decides nothing."""

LARGEST_STEP = 4.0
"""Most that one window may say for the fault [-], in log odds: four minutes at least confirm it."""

ALARMS_SHARE = 0.01
"""Share of the allowed false alarms that this kind may take [-]; own choice. The margin is for what windows
share: a road, a load, a tyre."""

SOUND_S = 600.0
"""Driving under load without undue slip that ends an alarm [s]; own choice."""

RARITY = 2e-6
"""Chance that the clutch begins to slip in a given window [-], for the probability; own choice: once in some
8,000 hours of pulling."""

SURE_MEASURED = 0.99
SURE_ESTIMATED = 0.95
SURE_BLIND = 0.8
"""Most that can be said by a signal, by the speeds, by the speeds with no overrun since that agreed [-]: a
command that lies, other tyres, a wrong gear signal look the same. Own choice."""

NEAR_LIMIT_K = 8.0
"""How far below its limit the fluid makes the matter urgent [K]; own choice."""


class Params(Layout):
    """When the fluid is too hot [°C], and how many false alarms are allowed [1/h of driving]."""

    limit_c: float
    false_alarms_per_h: float


class State(Layout):
    """State: the window being filled, the truck's own slip, the evidence."""

    window_s: float
    slip: float  # sums over the window, times seconds
    error: float
    power: float
    heat: float
    told_s: float  # of the window, with the torque known
    added_ms: int
    own_rpm: float  # beyond ``USUAL_RPM``
    own_s: float
    evidence: ShiryaevRoberts
    log_odds: float
    since_ms: int  # first window of the run that speaks for a fault, 0: none does
    run_ms: int  # when its first window was full
    run_windows: int
    run_s: float  # sums over that run, times seconds
    run_slip: float
    run_power: float
    run_heat: float
    run_told_s: float
    limit_rpm: float
    blind: int
    upheld: int
    sound_s: float
    measured: int
    proof_s: float
    agreed_ms: int
    fluid_ms: int  # 0: never read
    fluid_c: float


@compiled
def step(
    params: Params, state: State, truck: Truck, evidence: dict[int, float]
) -> tuple[int, float]:
    """Say how urgent the slip is now."""
    view, speeds = truck.latest, truck.kinematics
    if not math.isnan(view.fluid_c):
        state.fluid_c = view.fluid_c
        state.fluid_ms = view.time_ms
    pulls = speeds.pull > 0 or (math.isnan(view.torque_nm) and speeds.slip_now_rpm >= BLIND_RPM)
    if pulls and not math.isnan(speeds.slip_now_rpm) and view.dt_s > 0.0:
        _fill(state, truck)
        if state.window_s >= WINDOW_S:
            _close(params, state, view.time_ms)
    _report(params, state, evidence)
    if state.upheld == 0:
        return 0, _probability(state)
    near = state.fluid_ms > 0 and state.fluid_c >= params.limit_c - NEAR_LIMIT_K
    return (3 if near else 2), _probability(state)


@compiled
def _fill(state: State, truck: Truck) -> None:
    view, speeds = truck.latest, truck.kinematics
    changed = speeds.measured != state.measured
    if changed or view.time_ms - state.added_ms > STALE_MS:
        _empty(state)
    span_s = min(view.dt_s, LONGEST_S)
    state.measured = speeds.measured
    state.proof_s = speeds.proof_s
    state.agreed_ms = speeds.agreed_ms
    state.added_ms = view.time_ms
    state.window_s += span_s
    state.slip += min(FULL_SLIP_RPM, speeds.slip_now_rpm) * span_s
    state.error += speeds.slip_sd_rpm * span_s
    if not math.isnan(view.torque_nm):
        slip_w = abs(view.torque_nm * speeds.slip_now_rpm) * (2.0 * math.pi / 60.0)
        state.power += slip_w * span_s
        state.heat += max(view.heat_w, slip_w) * span_s
        state.told_s += span_s


@compiled
def _empty(state: State) -> None:
    state.window_s = 0.0
    state.slip = 0.0
    state.error = 0.0
    state.power = 0.0
    state.heat = 0.0
    state.told_s = 0.0


@compiled
def _close(params: Params, state: State, now_ms: int) -> None:
    """Weigh a window; while nothing is suspected it also shows what this truck's clutch usually does."""
    slip_rpm = state.slip / state.window_s
    error_rpm = state.error / state.window_s
    own_rpm = USUAL_RPM + state.own_rpm
    # A ratio that is not well known yet must not accuse: its error moves the limit, as one in the slip does.
    limit_rpm = max(LEAST_LIMIT_RPM, own_rpm + 0.5 * EXTRA_RPM) + error_rpm
    variance = WINDOW_SD_RPM**2 + error_rpm**2
    extra_rpm = 2.0 * (limit_rpm - own_rpm)
    step = min(LARGEST_STEP, extra_rpm * (slip_rpm - limit_rpm) / variance)
    log_r = suspect(state.evidence, step, state.window_s, 1.0)
    state.log_odds = log_r + math.log(RARITY)
    state.limit_rpm = limit_rpm
    state.blind = 1 if state.proof_s == 0.0 or state.agreed_ms <= state.run_ms else 0
    if step > 0.0:
        _run(state, now_ms)
    elif state.upheld == 0 and log_r < 0.0:
        _learn(state, slip_rpm)
    _decide(params, state, step > 0.0, log_r)
    _empty(state)


@compiled
def _run(state: State, now_ms: int) -> None:
    """Keep what the windows that speak for a fault have shown."""
    if state.since_ms == 0:
        state.since_ms = now_ms - round(1000.0 * state.window_s)
        state.run_ms = now_ms
    state.run_windows += 1
    if state.run_windows == 2:
        _empty_run(state)  # the first may lie half before the fault
    state.run_s += state.window_s
    state.run_slip += state.slip
    state.run_power += state.power
    state.run_heat += state.heat
    state.run_told_s += state.told_s


@compiled
def _empty_run(state: State) -> None:
    state.run_s = 0.0
    state.run_slip = 0.0
    state.run_power = 0.0
    state.run_heat = 0.0
    state.run_told_s = 0.0


@compiled
def _learn(state: State, slip_rpm: float) -> None:
    if slip_rpm >= MOST_USUAL_RPM:
        return
    state.own_s = min(USUAL_KEPT_S, state.own_s + state.window_s)
    share = state.window_s / (USUAL_PROOF_S + state.own_s)
    own_rpm = USUAL_RPM + state.own_rpm
    own_rpm += share * (slip_rpm - own_rpm)
    state.own_rpm = min(MOST_USUAL_RPM, max(0.0, own_rpm)) - USUAL_RPM


@compiled
def _decide(params: Params, state: State, slips: bool, log_r: float) -> None:
    allowed = ALARMS_SHARE * params.false_alarms_per_h
    if log_r >= threshold(allowed, WINDOW_S):
        state.upheld = 1
    state.sound_s = 0.0 if slips else state.sound_s + state.window_s
    if state.upheld == 1 and state.sound_s >= SOUND_S:
        state.upheld = 0
    if state.upheld == 0 and log_r < 0.0:
        state.since_ms = 0
        state.run_windows = 0
        _empty_run(state)


@compiled
def _probability(state: State) -> float:
    if state.limit_rpm == 0.0:
        return 0.0
    sure = SURE_BLIND if state.blind == 1 else SURE_ESTIMATED
    if state.measured == 1:
        sure = SURE_MEASURED
    return sure / (1.0 + math.exp(-min(50.0, max(-50.0, state.log_odds))))


@compiled
def _report(params: Params, state: State, evidence: dict[int, float]) -> None:
    known = state.run_told_s > 0.0
    evidence[0] = state.run_slip / state.run_s if state.run_s > 0.0 else 0.0
    evidence[1] = USUAL_RPM + state.own_rpm
    evidence[2] = state.limit_rpm
    evidence[3] = state.run_power / state.run_told_s / 1000.0 if known else math.nan
    evidence[4] = state.run_power / state.run_heat if state.run_heat > 0.0 else math.nan
    evidence[5] = state.run_s / 60.0
    evidence[6] = state.since_ms / 1000.0
    evidence[7] = state.measured
    evidence[8] = 0.0 if state.measured == 1 else state.proof_s / 60.0
    evidence[9] = 0.0 if state.measured == 1 else state.blind
    evidence[10] = state.fluid_c if state.fluid_ms > 0 else math.nan
    evidence[11] = params.limit_c


LOCKUP_SLIP = Detector(
    kind="lockup_slip",
    params=Params,
    state=State,
    evidence=(
        "slip_rpm",
        "usual_slip_rpm",
        "slip_limit_rpm",
        "slip_heat_kw",
        "slip_heat_share",
        "minutes_of_slip",
        "suspected_since_unix_s",
        "slip_measured",
        "gear_ratio_known_min",
        "overrun_unknown",
        "fluid_temp_c",
        "limit_temp_c",
    ),
    step=step,
    on_delay_s=0.0,
    off_delay_s=300.0,
    words=words,
)
