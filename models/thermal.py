"""Where the heat goes: three explanations of one truck's heat balance, weighed side by side.

Over each window of about a minute the balance of the fluid is, in kelvin,

    rise = theta * made - alpha * lost - kappa * carried + error

with ``made``, ``lost`` (through the case) and ``carried`` (off by the cooler) worked out from the
signals and the prior of the truck's class. ``theta`` (scale of the heat made), ``alpha`` (of the
case) and ``kappa`` (of the cooler) are learned by one small Kalman filter for each hypothesis; these
differ only in what the cooler may be: as it should (kappa near 1), poor (near 0.3), or cut off (near
0). Each window's likelihoods move the odds between them. While the valve is rightly closed all three
say the same and nothing moves: not observable.

Working on conductance and not on temperature is what tells an overloaded truck (hot, but the
cooler carries its share) from one whose bypass valve is stuck. The scale of the heat is learned
below the opening temperature, where the cooler plays no part.

Source: multiple-model estimation (Blom and Bar-Shalom 1988, from memory); the prior is common practice.
"""

from __future__ import annotations

import math

from models.compiled import compiled
from models.explanation import (
    LARGEST_STEP,
    TEMPER,
    Hypothesis,
    behind,
    follow,
    log_sum,
    prior,
    update,
)
from models.layout import Layout
from models.view import View

WINDOW_S = 60.0
"""Length of a window [s]. Shorter lets the rounding of a 1 °C sensor drown the balance;
doubling it halves the rounding and delays an alarm by about two minutes."""

SENSOR_SD_K = 0.4
"""Error of one temperature reading [K]: a coarse sensor's rounding and noise. Doubling it delays."""

MODEL_SD_K = 0.5
"""What a single thermal node gets wrong in a window [K]. Doubling it delays by about a minute."""

VALVE_LAG_S = 40.0
"""Time constant of the wax element [s]; common practice, no source: 10 to 60 s."""

HAZARD = 1e-5
"""Chance that the cooling circuit changes its state in one window [-]."""

LINE_WITH_FLOW = 0.90
LINE_WITHOUT_FLOW = 0.15
LINE_SD = 0.20
"""Rise of the line to the cooler over outside air as a share of the fluid's rise, with hot
fluid flowing and without, and its spread [-]. Common practice, no source."""

SINK_RISE_K = 5.0
"""How much warmer than outside air the air before the cooler is [K]; common practice, no source."""

VALVE_SPREAD_K = 6.0
"""How far from its nominal setting a healthy valve may open [K]; common practice, no source."""

RISE_AT_W = 10_000.0
"""Heat at which a sensor beyond the converter reads its full rise over the sump [W]."""


class ThermalParams(Layout):
    """Prior of the truck's class and the valve of its circuit."""

    bypass_circuit: int  # 1: thermostatic_bypass; else nothing is judged
    heat_capacity_j_k: float
    case_w_k: float  # case to air at 60 km/h [W/K]
    cooler_w_k: float  # effective conductance of the open cooler at 60 km/h [W/K]
    open_c: float
    full_c: float
    sensor_rise_k: float  # how much hotter than the sump the sensor's place may rightly be [K]
    false_alarms_per_h: float  # fault alarms allowed of a sound truck [1/h of driving]


class Thermal(Layout):
    """State: the window being filled, and the three explanations."""

    started: int
    span_s: float  # since the fluid was last read, with the heat made and its spread [s, J, J]
    span_heat_j: float
    span_sd_j: float
    window_s: float
    made_k: float
    made_var: float
    lost_k: float
    carried_k: float
    unsure_k: float
    start_c: float
    start_heat_w: float
    last_c: float
    valve_c: float
    line_log_odds: float
    healthy: Hypothesis
    poor: Hypothesis
    cut_off: Hypothesis
    p_healthy: float
    p_poor: float
    p_cut_off: float
    proven_ms: int  # cooler flow last shown by the balance, 0 never
    judged_ms: int  # last window that could have told healthy from cut off, 0 never
    suspect_ms: int  # first window since when cut_off has been the likelier, 0 if it is not


@compiled
def _start(thermal: Thermal) -> None:
    thermal.started = 1
    prior(thermal.healthy, 1.0, 0.25, math.log(0.998))
    prior(thermal.poor, 0.35, 0.08, math.log(0.001))
    prior(thermal.cut_off, 0.0, 0.03, math.log(0.001))
    thermal.p_healthy = 0.998
    thermal.p_poor = 0.001
    thermal.p_cut_off = 0.001


@compiled
def _restart_span(thermal: Thermal) -> None:
    thermal.span_s = 0.0
    thermal.span_heat_j = 0.0
    thermal.span_sd_j = 0.0


@compiled
def _restart_window(thermal: Thermal, fluid_c: float, heat_w: float) -> None:
    _restart_span(thermal)
    thermal.window_s = 0.0
    thermal.made_k = 0.0
    thermal.made_var = 0.0
    thermal.lost_k = 0.0
    thermal.carried_k = 0.0
    thermal.unsure_k = 0.0
    thermal.start_c = fluid_c
    thermal.start_heat_w = heat_w
    thermal.last_c = fluid_c
    thermal.line_log_odds = 0.0


@compiled
def opening(valve_c: float, open_c: float, full_c: float) -> float:
    """Share of the way a healthy valve is open at the temperature of its element [-]."""
    return min(1.0, max(0.0, (valve_c - open_c) / (full_c - open_c)))


@compiled
def _weigh(thermal: Thermal, log_healthy: float, log_poor: float, log_cut_off: float) -> None:
    """Move the odds by one window, let the state change with a small chance, normalise."""
    healthy, poor, cut_off = thermal.healthy, thermal.poor, thermal.cut_off
    best = max(log_healthy, log_poor, log_cut_off)
    line = max(-LARGEST_STEP, min(LARGEST_STEP, thermal.line_log_odds))
    healthy_weight = healthy.log_weight + behind(best, log_healthy)
    poor_weight = poor.log_weight + behind(best, log_poor)
    cut_off_weight = cut_off.log_weight + behind(best, log_cut_off) + line
    total = log_sum(healthy_weight, log_sum(poor_weight, cut_off_weight))
    change = math.log(HAZARD)
    healthy.log_weight = log_sum(healthy_weight - total, change)
    poor.log_weight = log_sum(poor_weight - total, change)
    cut_off.log_weight = log_sum(cut_off_weight - total, change)
    thermal.p_healthy = math.exp(healthy_weight - total)
    thermal.p_poor = math.exp(poor_weight - total)
    thermal.p_cut_off = math.exp(cut_off_weight - total)


@compiled
def _close_window(params: ThermalParams, thermal: Thermal, view: View) -> None:
    # A sensor beyond the converter follows the heat at once, long before the sump does.
    leap_k = params.sensor_rise_k * (view.heat_w - thermal.start_heat_w) / RISE_AT_W
    noise_var = (
        2.0 * SENSOR_SD_K**2
        + MODEL_SD_K**2
        + thermal.made_var
        + (0.6 * thermal.unsure_k) ** 2
        + leap_k * leap_k
    )
    rise, made = thermal.last_c - thermal.start_c, thermal.made_k
    lost, carried = thermal.lost_k, thermal.carried_k
    log_healthy = update(thermal.healthy, rise, made, lost, carried, noise_var, 0.55, 2.0)
    log_poor = update(thermal.poor, rise, made, lost, carried, noise_var, 0.25, 0.50)
    log_cut_off = update(thermal.cut_off, rise, made, lost, carried, noise_var, 0.0, 0.10)
    before = thermal.cut_off.log_weight - thermal.healthy.log_weight
    _weigh(thermal, log_healthy, log_poor, log_cut_off)
    step = TEMPER * (log_cut_off - log_healthy) + thermal.line_log_odds
    if thermal.carried_k > 2.0 or abs(step) > 0.3:
        thermal.judged_ms = view.time_ms
        if step < -0.5 and thermal.p_cut_off < 0.01:
            thermal.proven_ms = view.time_ms
    if thermal.p_cut_off < 1e-3:
        follow(thermal.cut_off, thermal.healthy)
    if thermal.p_poor < 5e-3:
        follow(thermal.poor, thermal.healthy)
    if thermal.p_cut_off > 0.5:
        if thermal.suspect_ms == 0 or before < -9.0:
            thermal.suspect_ms = view.time_ms
    else:
        thermal.suspect_ms = 0


@compiled
def _line(params: ThermalParams, thermal: Thermal, view: View, dt_s: float) -> None:
    """A cold line to the cooler above a hot sump is near-direct proof that nothing flows.

    A warm one proves nothing: the valve may sit at its far end. Nor does a cold return line.
    """
    hot = thermal.valve_c > params.full_c and view.fluid_c - view.air_c > 40.0
    if not hot or view.rpm < 300.0 or math.isnan(view.line_out_c):
        return
    ratio = (view.line_out_c - view.air_c) / (view.fluid_c - view.air_c)
    flow, none = (ratio - LINE_WITH_FLOW) / LINE_SD, (ratio - LINE_WITHOUT_FLOW) / LINE_SD
    odds = max(0.0, 0.5 * (flow * flow - none * none))
    thermal.line_log_odds += odds * dt_s / WINDOW_S


@compiled
def balance(params: ThermalParams, thermal: Thermal, view: View) -> None:
    """Take the newest sample into the heat balance.

    Parameters
    ----------
    params
        Of this truck. Nothing is judged unless ``bypass_circuit`` is 1.
    thermal
        Changed in place.
    view
        The truck at the newest sample. Without fluid or outside temperature, engine speed, torque or
        load, and road speed nothing is judged.
    """
    if params.bypass_circuit != 1:
        return
    if thermal.started == 0:
        _start(thermal)
        thermal.valve_c = view.fluid_c
        _restart_window(thermal, view.fluid_c, view.heat_w)
    fluid, dt_s = view.fluid_c, view.dt_s
    known = not math.isnan(view.air_c) and not _unknown_heat(view)
    if dt_s > 0.0 and known:
        thermal.span_s += dt_s
        thermal.span_heat_j += view.heat_w * dt_s
        thermal.span_sd_j += view.heat_sd_w * dt_s
        if math.isnan(fluid):
            return  # the fluid need not be in every sample
    whole = abs(thermal.span_s - view.fluid_dt_s) < 1e-3
    if dt_s == 0.0 or not known or not whole or math.isnan(thermal.last_c):
        if not math.isnan(fluid):
            thermal.valve_c = fluid
        _restart_window(thermal, fluid, view.heat_w)
        return
    _fill(params, thermal, view)
    if thermal.window_s >= WINDOW_S:
        _close_window(params, thermal, view)
        _restart_window(thermal, fluid, view.heat_w)


@compiled
def _unknown_heat(view: View) -> bool:
    """Say that nothing tells how much heat is made: a guess is no ground for an accusation."""
    if math.isnan(view.rpm):
        return True
    return view.rpm >= 1.0 and (math.isnan(view.torque_nm) or math.isnan(view.speed_km_h))


@compiled
def _fill(params: ThermalParams, thermal: Thermal, view: View) -> None:
    """Add the span since the fluid was last read to the window."""
    dt_s = thermal.span_s
    mid_c = 0.5 * (thermal.last_c + view.fluid_c)
    thermal.valve_c += (mid_c - thermal.valve_c) * (1.0 - math.exp(-dt_s / VALVE_LAG_S))
    speed = 0.0 if math.isnan(view.speed_km_h) else view.speed_km_h
    wind = min(1.5, speed / 60.0)
    pump = 1.0
    if not math.isnan(view.rpm):
        pump = min(1.0, 0.6 + 0.4 * view.rpm / 1500.0) if view.rpm >= 1.0 else 0.0
    share = dt_s / params.heat_capacity_j_k
    over_air = mid_c - view.air_c
    over_sink = max(0.0, over_air - SINK_RISE_K)
    cooler = params.cooler_w_k * (0.45 + 0.55 * min(1.2, wind)) * pump
    open_share = opening(thermal.valve_c, params.open_c, params.full_c)
    thermal.window_s += dt_s
    thermal.made_k += thermal.span_heat_j / params.heat_capacity_j_k
    # Errors of the heat estimate last for minutes: they add up within a window, not in squares.
    sd_k = thermal.span_sd_j / params.heat_capacity_j_k
    thermal.made_var = (math.sqrt(thermal.made_var) + sd_k) ** 2
    thermal.lost_k += params.case_w_k * (0.6 + 0.4 * wind) * over_air * share
    thermal.carried_k += open_share * cooler * over_sink * share
    # Each valve opens where it likes, and may be cooler than a sensor beyond the converter says: near
    # the opening span the flow is uncertain.
    late_k = VALVE_SPREAD_K + params.sensor_rise_k
    if params.open_c - VALVE_SPREAD_K < thermal.valve_c < params.full_c + late_k:
        late = opening(thermal.valve_c - late_k, params.open_c, params.full_c)
        early = opening(thermal.valve_c + VALVE_SPREAD_K, params.open_c, params.full_c)
        thermal.unsure_k += 0.5 * (early - late) * cooler * over_sink * share
    thermal.last_c = view.fluid_c
    _line(params, thermal, view, dt_s)
    _restart_span(thermal)
