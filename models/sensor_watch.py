"""The watch over the fluid's sensor: frozen, noisy, stepped, biased, drifting, impossible.

Every witness has its own odds; together they give the probability that the fluid's reading is off. The heat
balance rests on that reading and stops learning while it is in doubt.
"""

from __future__ import annotations

import math

from models.account import Account, AccountParams
from models.compiled import compiled
from models.layout import Layout
from models.sensor_hold import (
    LEAST_REST_S,
    START_LOG,
    WINDOW_S,
    Hold,
    begin_hold,
    close_window,
    judge_hold,
    move,
    rested,
    see_coolant,
)
from models.sensor_night import (
    COOLANT_WARMS_K_S,
    FAST_OWN_SD_K,
    FAST_WARMS_K_S,
    OWN_SD_K,
    WARMS_K_S,
    Nights,
    forget_step,
    open_nights,
    p_off,
    weigh_night,
    weigh_step,
)
from models.sensor_noise import LEAST, Noise, usual_k, weigh_noise
from models.sensor_others import Others, compare_others, note_missing
from models.sensor_recent import (
    Recent,
    is_busy,
    is_newest_busy,
    note_motion,
    push,
    roughness_k,
    step_evidence,
)
from models.soak import ASSUMED_AIR_C, cooled_c, time_constant_s
from models.view import View

FINE, FROZEN, NOISY, STEPPED, BIASED, DRIFTING, IMPOSSIBLE = 0, 1, 2, 3, 4, 5, 6
"""What is wrong with the fluid's sensor, as ``SensorWatch.what`` has it."""

BELOW_K = 15.0
"""Fluid of a running truck is not colder than both outside air and coolant by more than this [K]: after a
cold night it may lag. Own choice."""

IMPOSSIBLE_S = 300.0
"""How long an impossible reading must last [s]. Own choice."""

SLOWER = 1.5
"""A parked truck may cool this much slower than is known of it [-]. Own choice."""

LONG_SPAN_S = 12.0
"""Between readings further apart than this [s] a hard start heats the fluid unseen, where no load is sent.
Own choice."""

NEXT_NIGHT_S = 4.0 * 3600.0
"""Two nights are so far apart at least [s]: one told in pieces is one. Own choice."""

WARM_UP_BELOW_K = 8.0
"""So far below its opening a valve is closed [K]: what heats the fluid then shows. Own choice."""

FOLLOWS_COOLANT = 0.5
"""Share of the coolant's motion that fluid in an exchanger follows at least [-]. Own choice."""


class SensorParams(Layout):
    """Where the sensor sits, and what the class says of the heat around it."""

    fast: int  # 1: beyond the converter or in the line, where the fluid swings within seconds
    line: int  # 1: in the line to the cooler, which is still while the valve is closed
    follows_coolant: int  # 1: the fluid is cooled, and warmed, by coolant
    closed_below_c: float  # the cooler plays no part below [°C], -300: it always may
    heat_capacity_j_k: float
    case_w_k: float


class SensorWatch(Layout):
    """State: what each witness says of the fluid's sensor, and of the others."""

    started: int
    suspect: int  # 1: more likely off than not
    p_fault: float  # probability that the fluid's sensor is off [-]
    what: int
    step_k: float  # a step found at this very sample [K], else 0
    bias_k: float  # how much too high it reads, if it is off [K], with its standard deviation
    bias_sd_k: float
    since_ms: int  # since when it is suspect, 0: it is not
    p_frozen: float
    p_noisy: float
    p_off: float
    hold: Hold
    noise: Noise
    nights: Nights
    recent: Recent
    others: Others
    seen_nights: int  # of the account's own count
    night_ms: int
    last_c: float
    last_ms: int
    last_air_c: float
    last_moving: int
    impossible_s: float


@compiled
def watch(
    params: SensorParams,
    account_params: AccountParams,
    sensor: SensorWatch,
    view: View,
    account: Account,
) -> None:
    """Take the newest sample.

    Parameters
    ----------
    params, account_params
        Of the truck.
    sensor
        Changed in place.
    view, account
        The truck at the newest sample, charged already; not changed.
    """
    if sensor.started == 0:
        sensor.started = 1
        sensor.seen_nights = account.offset.seen
        sensor.last_air_c = math.nan
        open_nights(sensor.nights, FAST_OWN_SD_K if params.fast == 1 else OWN_SD_K)
        sensor.noise.log_odds = LEAST
        sensor.hold.log_odds = START_LOG
    sensor.step_k = 0.0
    note_missing(sensor.others, view)
    note_motion(sensor.recent, view)
    if sensor.hold.started == 1 and view.dt_s > 0.0 and _runs(view):
        _move(params, sensor.hold, view)
    if not math.isnan(view.fluid_c):
        _read(params, account_params, sensor, view, account)
    if account.offset.seen != sensor.seen_nights:
        _night(params, sensor, view.time_ms, account)
    if not math.isnan(view.air_c):
        sensor.last_air_c = view.air_c
    _conclude(sensor, view.time_ms)


@compiled
def _runs(view: View) -> bool:
    return view.rpm > 300.0 or (math.isnan(view.rpm) and view.moving == 1)


@compiled
def _move(params: SensorParams, hold: Hold, view: View) -> None:
    """Ask how far the heat of this span must have moved a fluid that reads the same."""
    net_w = math.nan
    if hold.value_c < params.closed_below_c and not math.isnan(view.air_c):
        net_w = view.heat_w - params.case_w_k * (hold.value_c - view.air_c)
    heat_w = view.heat_w
    if params.line == 1 or math.isnan(view.torque_nm):
        net_w, heat_w = math.nan, hold.usual_w  # nothing is expected that is not known
    move(hold, net_w, heat_w, params.heat_capacity_j_k, view.dt_s)
    see_coolant(hold, view.coolant_c)
    if hold.window_s >= WINDOW_S:
        follows = FOLLOWS_COOLANT * params.follows_coolant * (1 - params.line)
        close_window(hold, follows, view.heat_w)


@compiled
def _read(
    params: SensorParams,
    account_params: AccountParams,
    sensor: SensorWatch,
    view: View,
    account: Account,
) -> None:
    """Take a reading of the fluid."""
    hold, recent = sensor.hold, sensor.recent
    first = view.fluid_dt_s == 0.0
    if hold.started == 1 and abs(view.fluid_c - hold.value_c) < 1e-6:
        hold.readings += 1
        if first:
            _rest(account_params, sensor, view, account)
    else:
        begin_hold(hold, view.fluid_c, view.time_ms, view.heat_w)
    judge_hold(hold, view.fluid_dt_s)
    if first:
        recent.count = 0
    push(recent, float(view.time_ms), view.fluid_c)
    off_k, span_s = roughness_k(recent)
    usual = usual_k(params.fast, is_newest_busy(recent), span_s)
    weigh_noise(sensor.noise, off_k, span_s, usual)
    _step(params, sensor, view)
    _impossible(sensor, view)
    sensor.last_c = view.fluid_c
    sensor.last_ms = view.time_ms
    sensor.last_moving = view.moving


@compiled
def _step(params: SensorParams, sensor: SensorWatch, view: View) -> None:
    recent = sensor.recent
    step_k, evidence, span_s = step_evidence(recent, params.fast, params.heat_capacity_j_k)
    if sensor.noise.log_odds > 0.0:
        forget_step(sensor.nights)  # it was noise
        return
    unseen = params.fast == 1 or (span_s > LONG_SPAN_S and math.isnan(view.torque_nm))
    if unseen and is_busy(recent):
        return
    if span_s > 0.0 and weigh_step(sensor.nights, step_k, evidence, span_s):
        sensor.step_k = step_k


@compiled
def _rest(
    account_params: AccountParams, sensor: SensorWatch, view: View, account: Account
) -> None:
    """Weigh that the value is the same after a rest: how far must the fluid have cooled."""
    span_s = (view.time_ms - sensor.last_ms) / 1000.0
    if span_s < LEAST_REST_S or sensor.last_moving == 1:
        return
    air = view.air_c if not math.isnan(view.air_c) else sensor.last_air_c
    if math.isnan(air):
        air = ASSUMED_AIR_C if math.isnan(view.coolant_c) else view.coolant_c
    tau_s = SLOWER * time_constant_s(account_params.soak, account.soak)
    fall_k = sensor.last_c - cooled_c(sensor.last_c, air, tau_s, span_s)
    if not math.isnan(view.coolant_c):
        # A warm engine says that the truck ran meanwhile.
        fall_k = min(abs(fall_k), abs(sensor.last_c - view.coolant_c))
    rested(sensor.hold, abs(fall_k))


@compiled
def _impossible(sensor: SensorWatch, view: View) -> None:
    """Time how long the fluid reads colder than all around; too hot is no fault of a sensor."""
    # Where one is not known nothing is too cold: comparing with NaN says no.
    too_cold = view.fluid_c < view.air_c - BELOW_K and view.fluid_c < view.coolant_c - BELOW_K
    if too_cold and _runs(view):
        sensor.impossible_s = min(IMPOSSIBLE_S, sensor.impossible_s + view.fluid_dt_s)
    else:
        sensor.impossible_s = max(0.0, sensor.impossible_s - view.fluid_dt_s)


@compiled
def _night(params: SensorParams, sensor: SensorWatch, now_ms: int, account: Account) -> None:
    """The account has compared the sensors after a night."""
    offset = account.offset
    sensor.seen_nights = offset.seen
    if sensor.night_ms > 0 and now_ms - sensor.night_ms < NEXT_NIGHT_S * 1000.0:
        return
    sensor.night_ms = now_ms
    warms_k_s = FAST_WARMS_K_S if params.fast == 1 else WARMS_K_S
    weigh_night(
        sensor.nights,
        offset.fluid_c,
        offset.coolant_c,
        offset.air_c,
        warms_k_s * offset.fluid_late_s,
        COOLANT_WARMS_K_S * offset.coolant_late_s,
    )
    compare_others(sensor.others, offset.fluid_c, offset.coolant_c, offset.air_c)


@compiled
def _logistic(log_odds: float) -> float:
    return 1.0 / (1.0 + math.exp(-log_odds))


@compiled
def _conclude(sensor: SensorWatch, now_ms: int) -> None:
    """Put the witnesses together, and say what is likeliest wrong."""
    nights = sensor.nights
    sensor.p_frozen = _logistic(sensor.hold.log_odds)
    sensor.p_noisy = _logistic(sensor.noise.log_odds)
    sensor.p_off = p_off(nights)
    impossible = 0.999 if sensor.impossible_s >= IMPOSSIBLE_S else 0.0
    healthy = (1.0 - sensor.p_frozen) * (1.0 - sensor.p_noisy) * (1.0 - sensor.p_off)
    sensor.p_fault = 1.0 - healthy * (1.0 - impossible)
    sensor.suspect = 1 if sensor.p_fault > 0.5 else 0
    sensor.what = _what(sensor, impossible)
    sensor.bias_k = nights.off_k - nights.own_k
    sensor.bias_sd_k = math.sqrt(nights.off_var)
    if sensor.suspect == 0:
        sensor.since_ms = 0
    elif sensor.since_ms == 0:
        sensor.since_ms = sensor.hold.since_ms if sensor.what == FROZEN else now_ms


@compiled
def _what(sensor: SensorWatch, impossible: float) -> int:
    if sensor.p_fault <= 0.5:
        return FINE
    if sensor.p_frozen > 0.5:
        return FROZEN
    if sensor.p_noisy > 0.5:
        return NOISY
    if sensor.p_off > 0.5:
        if sensor.nights.drifted >= 1:
            return DRIFTING
        return STEPPED if sensor.nights.jumped == 1 else BIASED
    return IMPOSSIBLE if impossible > 0.5 else FINE
