"""The truck as it stands at the newest sample: signals held for a while, gaps, motion."""

from __future__ import annotations

import math

from models.compiled import compiled
from models.engine import available_share
from models.heat import gearbox_heat
from models.layout import Layout


class ViewParams(Layout):
    """What reading the samples needs to know of a truck."""

    max_gap_s: float  # longest span between samples that counts as seen [s]
    leap_k: float  # how far one reading of the fluid may be off the one before at once [K],
    leap_k_s: float  # and how much further for each second between them [K/s]
    hold_s: float  # how long a signal sent more rarely than the others stays valid [s]
    rated_torque_nm: float  # torque at 100 % load [N·m]


class View(Layout):
    """State: the newest sample, what it says together with the ones just before."""

    samples: int
    time_ms: int
    dt_s: float  # since the sample before, 0 after a gap or at the first sample [s]
    gap_s: float  # length of the gap that this sample ended, 0 if none [s]
    fluid_c: float
    fluid_ms: int  # last reading of the fluid, 0 if it is longer ago than what counts as seen
    fluid_dt_s: float  # from the reading before to the one in this sample, else 0 [s]
    fluid_last_c: float  # last reading that was believed
    fluid_doubt_c: float  # a leap that waits for the next reading to confirm it
    fluid_doubt_ms: int  # 0: none waits
    fluid_glitches: int  # leaps that the next reading did not confirm
    air_c: float
    air_ms: int
    coolant_c: float
    coolant_ms: int
    speed_km_h: float
    speed_ms: int
    rpm: float
    rpm_ms: int
    torque_nm: float
    torque_ms: int
    gear: float
    gear_ms: int
    lockup: float
    lockup_ms: int
    slip_rpm: float
    slip_ms: int
    line_out_c: float
    line_return_c: float
    odometer_km: float
    engine_hours_h: float
    trailer: float
    trailer_ms: int
    was_moving: int  # moving at the sample before this one
    moving: int
    heat_w: float
    heat_sd_w: float


class SampleRecord(Layout):
    """One row of ``models.sample.SAMPLE``."""

    time_ms: int
    fluid_temp_c: float
    cooler_out_temp_c: float
    cooler_return_temp_c: float
    ambient_temp_c: float
    coolant_temp_c: float
    speed_km_h: float
    engine_rpm: float
    engine_load_pct: float
    engine_torque_nm: float
    gear: float
    lockup: float
    lockup_slip_rpm: float
    odometer_km: float
    engine_hours_h: float
    trailer: float


@compiled
def _held(new: float, old: float, old_ms: int, now_ms: int, hold_s: float) -> tuple[float, int]:
    """Give the new value, or the old one while it is fresh enough, with the time it was measured."""
    if not math.isnan(new):
        return new, now_ms
    if old_ms > 0 and (now_ms - old_ms) <= hold_s * 1000.0:
        return old, old_ms
    return math.nan, 0


@compiled
def _waits(params: ViewParams, view: View, fluid_c: float, span_s: float) -> bool:
    """Say whether a reading leaps further than fluid can, and is not confirmed yet."""
    waited = view.fluid_doubt_ms > 0
    view.fluid_doubt_ms, doubted_ms = 0, view.fluid_doubt_ms
    near = abs(fluid_c - view.fluid_last_c) <= params.leap_k + params.leap_k_s * span_s
    if waited and not near:
        since_s = (view.time_ms - doubted_ms) / 1000.0
        if abs(fluid_c - view.fluid_doubt_c) <= params.leap_k + params.leap_k_s * since_s:
            return False
    if waited:
        view.fluid_glitches += 1
    if near:
        return False
    view.fluid_doubt_c = fluid_c
    view.fluid_doubt_ms = view.time_ms
    return True


@compiled
def _look_at_fluid(params: ViewParams, view: View, fluid_c: float, gap: bool) -> None:
    """Take the fluid's temperature, which need not be in every sample."""
    span_s = (view.time_ms - view.fluid_ms) / 1000.0
    if gap or span_s > params.max_gap_s:
        view.fluid_ms = 0
    view.fluid_c = fluid_c
    view.fluid_dt_s = 0.0
    if math.isnan(fluid_c):
        return
    if view.fluid_ms == 0:
        view.fluid_doubt_ms = 0  # nothing to compare it with
    elif _waits(params, view, fluid_c, span_s):
        view.fluid_c = math.nan
        return
    else:
        view.fluid_dt_s = span_s
    view.fluid_ms = view.time_ms
    view.fluid_last_c = fluid_c


@compiled
def look(params: ViewParams, view: View, sample: SampleRecord) -> None:
    """Move the view on to a sample that is newer than all before it.

    Parameters
    ----------
    params
        Of this truck.
    view
        Changed in place.
    sample
        The newest sample; absent signals are NaN.
    """
    now_ms = sample.time_ms
    span_s = (now_ms - view.time_ms) / 1000.0
    first = view.samples == 0
    gap = (not first) and span_s > params.max_gap_s
    view.dt_s = 0.0 if first or gap else span_s
    view.gap_s = span_s if gap else 0.0
    view.was_moving = view.moving
    view.samples += 1
    view.time_ms = now_ms
    _look_at_fluid(params, view, sample.fluid_temp_c, gap)
    view.line_out_c = sample.cooler_out_temp_c
    view.line_return_c = sample.cooler_return_temp_c
    view.odometer_km = sample.odometer_km
    view.engine_hours_h = sample.engine_hours_h
    # Weather, coolant and load change slowly and are often sent once a minute or less.
    slow_s = 10.0 * params.hold_s
    hold_s = params.hold_s
    view.air_c, view.air_ms = _held(
        sample.ambient_temp_c, view.air_c, view.air_ms, now_ms, slow_s
    )
    view.coolant_c, view.coolant_ms = _held(
        sample.coolant_temp_c, view.coolant_c, view.coolant_ms, now_ms, hold_s
    )
    view.speed_km_h, view.speed_ms = _held(
        sample.speed_km_h, view.speed_km_h, view.speed_ms, now_ms, hold_s
    )
    view.rpm, view.rpm_ms = _held(sample.engine_rpm, view.rpm, view.rpm_ms, now_ms, hold_s)
    torque = sample.engine_torque_nm
    if math.isnan(torque):
        torque = sample.engine_load_pct / 100.0 * params.rated_torque_nm
        if not math.isnan(view.rpm):
            torque *= available_share(view.rpm)
    view.torque_nm, view.torque_ms = _held(
        torque, view.torque_nm, view.torque_ms, now_ms, hold_s
    )
    view.gear, view.gear_ms = _held(sample.gear, view.gear, view.gear_ms, now_ms, hold_s)
    view.lockup, view.lockup_ms = _held(
        sample.lockup, view.lockup, view.lockup_ms, now_ms, hold_s
    )
    view.slip_rpm, view.slip_ms = _held(
        sample.lockup_slip_rpm, view.slip_rpm, view.slip_ms, now_ms, hold_s
    )
    view.trailer, view.trailer_ms = _held(
        sample.trailer, view.trailer, view.trailer_ms, now_ms, slow_s
    )
    view.moving = 1 if view.speed_km_h > 5.0 else 0
    view.heat_w, view.heat_sd_w = gearbox_heat(
        view.torque_nm, view.rpm, view.speed_km_h, view.gear, view.lockup, view.slip_rpm
    )
