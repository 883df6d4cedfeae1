"""Heat made in the gearbox, from what the engine and the converter are doing."""

from __future__ import annotations

import math

from models.compiled import compiled

_RAD_S_PER_RPM = 2.0 * math.pi / 60.0

GEAR_LOSS_SHARE = 0.045
"""Share of the engine power lost in gears and bearings with the clutch locked [-]. Common
practice, no source: 3 to 6 %. Doubling it doubles the heat of a locked tow; each truck's own
scale is learned."""

SPIN_LOSS_W = 700.0
"""Pump and drag loss at 1,700 rpm with warm fluid [W]. Common practice, no source: 0.5 to 2 kW."""

CONVERTER_LOSS_SHARE = 0.11
"""Share of the engine power turned to heat in an unlocked converter past its coupling point
[-]. Between the worked cases of speed ratio 0.85 with torque ratio 1.02 (1 - 0.85 × 1.02 = 0.133) and
0.90 with 1.00 (0.10)."""

CONVERTER_LAUNCH_KM_H = 8.0
"""Speed over which the loss of a launch (all of the power at stall) falls to a third [km/h]."""

ASSUMED_LOCKED_KM_H = 50.0
"""Speed above which the converter clutch is likely on where no signal says so [km/h]."""


@compiled
def _unlocked_share(speed_km_h: float) -> float:
    """Share of the power lost in an unlocked converter [-]."""
    speed = 0.0 if math.isnan(speed_km_h) else speed_km_h
    launch = (1.0 - CONVERTER_LOSS_SHARE) * math.exp(-speed / CONVERTER_LAUNCH_KM_H)
    return CONVERTER_LOSS_SHARE + launch


@compiled
def _converter_heat(
    power_w: float, torque_nm: float, speed_km_h: float, lockup: float, slip_rpm: float
) -> tuple[float, float]:
    """Heat made in the converter and its standard deviation [W].

    The slip signal speaks of the clutch: where the clutch is not commanded it says nothing of
    the converter, whatever its value.
    """
    share = _unlocked_share(speed_km_h)
    if lockup < 0.5:
        return share * power_w, 0.35 * share * power_w
    if not math.isnan(slip_rpm):
        slip_w = abs(torque_nm * slip_rpm) * _RAD_S_PER_RPM
        if lockup > 0.5 or slip_w > 0.0:
            return slip_w, 0.1 * slip_w
    if lockup > 0.5:
        return 0.0, 0.0
    if speed_km_h >= ASSUMED_LOCKED_KM_H:
        # Nobody says whether the clutch is on: likely it is, but a long pull may well be
        # without.
        return 0.25 * share * power_w, 0.75 * share * power_w
    return share * power_w, 0.5 * share * power_w


@compiled
def gearbox_heat(
    torque_nm: float,
    rpm: float,
    speed_km_h: float,
    gear: float,
    lockup: float,
    slip_rpm: float,
) -> tuple[float, float]:
    """Heat going into the fluid, and how unsure that is.

    Parameters
    ----------
    torque_nm
        Engine torque [N·m], NaN if unknown.
    rpm
        Engine speed [1/min], NaN if unknown.
    speed_km_h
        Road speed [km/h], NaN if unknown.
    gear
        Gear, 0 neutral or park [-], NaN if unknown.
    lockup
        1 when the converter clutch is commanded on [-], NaN if unknown.
    slip_rpm
        Slip of the converter clutch [1/min], NaN if unknown.

    Returns
    -------
    tuple of float
        Heat [W] and its standard deviation [W].

    Source
    ------
    Loss balance of converter and gearbox: clutch slip heat is torque × slip speed.
    """
    if rpm < 1.0:
        return 0.0, 50.0
    if math.isnan(rpm) or math.isnan(torque_nm):
        # Nothing says how hard the engine works: a guess as wide as it is poor.
        guess = 4000.0 if speed_km_h > 5.0 else 700.0
        return guess, guess
    spin = SPIN_LOSS_W * (rpm / 1700.0) ** 1.5
    if gear == 0.0:
        return spin, 0.3 * spin
    power = abs(torque_nm) * rpm * _RAD_S_PER_RPM
    converter, converter_sd = _converter_heat(power, torque_nm, speed_km_h, lockup, slip_rpm)
    gears = GEAR_LOSS_SHARE * power
    sd = math.sqrt(converter_sd**2 + (0.15 * (gears + spin)) ** 2) + 100.0
    return converter + gears + spin, sd
