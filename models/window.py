"""The window of driving that the balance of heat is drawn over: what went in, and what had to be guessed."""

from __future__ import annotations

import math
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from models.circuit import (
    AIR_C,
    CONVERTER_W,
    COOLANT_C,
    DUTY,
    HEAT_W,
    LOCKED_W,
    RPM,
    SPAN_S,
    SPEED_KM_H,
)
from models.compiled import compiled
from models.heat import ASSUMED_LOCKED_KM_H, GEAR_LOSS_SHARE, spin_loss
from models.layout import Layout
from models.view import View

WINDOW_S = 28.0
"""Length of a window [s], and then as long as it takes until the fluid is read again. Shorter costs more and
shows nothing sooner: the fastest node has a time constant of two minutes."""

LONG_STOP_S = 6.0 * 3600.0
"""Time parked after which the fluid tells the outside air where no signal does [s]; own choice."""

MILD_C = 15.0
"""Outside air where nothing has ever told it [°C]; own choice."""

UNTOLD = 2.0
"""How many times as far off the heat is where load, clutch or speed must be guessed [-]: such a guess is
wrong for as long as the road stays as it is, and a truck's own scale does not mend it. Own choice; without it
trucks that send no load are accused now and then."""

LINES_HOLD_MS = 15_000
"""How long a reading of one of the cooler's lines stays good [ms], for gateways that do not send them with
the fluid; own choice: where something flows a line follows within as much."""

_RAD_S_PER_RPM = 2.0 * math.pi / 60.0


class Window(Layout):
    """State: sums since the window began, and the last known outside air."""

    duty: Annotated[NDArray[np.float64], DUTY]  # times seconds, until the window is closed
    now: Annotated[NDArray[np.float64], DUTY]  # by the newest sample
    heat_sd_j: float
    air_c: float  # last that was read, or what the fluid showed after a night
    air_read: int  # 1: it was read within the hold time
    long_stop: int  # 1: it stood for long before this drive
    line_to_c: float  # line to the cooler, last read
    line_to_ms: int
    line_back_c: float
    line_back_ms: int


@compiled
def clear(window: Window) -> None:
    """Begin a window."""
    for place in range(DUTY):
        window.duty[place] = 0.0
    window.heat_sd_j = 0.0


@compiled
def note(window: Window, view: View) -> None:
    """Keep what outlasts a window: outside air, whether this drive began after a long stop, the lines."""
    if not math.isnan(view.air_c):
        window.air_c = view.air_c
    window.air_read = 0 if math.isnan(view.air_c) else 1
    if view.gap_s > LONG_STOP_S:
        window.long_stop = 1
    if not math.isnan(view.line_out_c):
        window.line_to_c, window.line_to_ms = view.line_out_c, view.time_ms
    if not math.isnan(view.line_return_c):
        window.line_back_c, window.line_back_ms = view.line_return_c, view.time_ms


@compiled
def lines_c(window: Window, now_ms: int) -> tuple[float, float]:
    """Give the lines to and from the cooler [°C] as they were last read; not a number: not of late."""
    to_c = back_c = math.nan
    if now_ms - window.line_to_ms <= LINES_HOLD_MS:
        to_c = window.line_to_c
    if now_ms - window.line_back_ms <= LINES_HOLD_MS:
        back_c = window.line_back_c
    return to_c, back_c


@compiled
def tells(view: View, by_coolant: bool) -> bool:
    """Say whether enough is known of this sample to draw a balance."""
    if math.isnan(view.rpm):
        return False
    return not (by_coolant and math.isnan(view.coolant_c))


@compiled
def is_untold(view: View) -> bool:
    """Say that load, clutch or speed must be guessed."""
    guessed = math.isnan(view.torque_nm) or math.isnan(view.lockup)
    return guessed or math.isnan(view.speed_km_h)


@compiled
def begin(window: Window, view: View, slip_told: bool) -> None:
    """Note what a sample says, for the span that begins with it."""
    rpm = view.rpm
    power_w = 0.0 if math.isnan(view.torque_nm) else abs(view.torque_nm) * rpm * _RAD_S_PER_RPM
    spin_w = spin_loss(rpm, view.fluid_c) if rpm >= 1.0 else 0.0
    speed = 0.0 if math.isnan(view.speed_km_h) else view.speed_km_h
    likely_locked = math.isnan(view.lockup) and speed >= ASSUMED_LOCKED_KM_H
    unseen_slip = (view.lockup > 0.5 or likely_locked) and not slip_told
    now = window.now
    now[SPAN_S] = 1.0
    now[HEAT_W] = view.heat_w
    now[CONVERTER_W] = max(0.0, view.heat_w - GEAR_LOSS_SHARE * power_w - spin_w)
    now[LOCKED_W] = power_w if unseen_slip else 0.0
    now[AIR_C] = MILD_C if math.isnan(window.air_c) else window.air_c
    # Not a number only where the sink is the air (``tells``), and then of no account.
    now[COOLANT_C] = 0.0 if math.isnan(view.coolant_c) else view.coolant_c
    now[SPEED_KM_H] = speed
    now[RPM] = rpm


@compiled
def add(window: Window, view: View, slip_told: bool) -> None:
    """Add the span up to a sample to the window: half by the sample before, half by this one."""
    half_s = 0.5 * view.dt_s
    for place in range(DUTY):
        window.duty[place] += half_s * window.now[place]
    begin(window, view, slip_told)
    for place in range(DUTY):
        window.duty[place] += half_s * window.now[place]
    window.heat_sd_j += view.dt_s * view.heat_sd_w * (UNTOLD if is_untold(view) else 1.0)


@compiled
def close(window: Window) -> float:
    """Turn the sums into means; give the standard deviation of the heat made [kW]."""
    span_s: float = window.duty[SPAN_S]
    for place in range(DUTY):
        if place != SPAN_S:
            window.duty[place] /= span_s
    return window.heat_sd_j / span_s / 1000.0
