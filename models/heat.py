"""Heat made in the gearbox, from what the engine, the converter and its clutch are doing."""

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

DRAG_SHARE = 0.4
"""Share of that which is drag of the fluid and goes with the root of its viscosity [-]; common practice, no
source. Twice as much would make a start at 0 °C three quarters hotter."""

WARM_MM2_S = 9.0
"""Viscosity of an ordinary fluid at 90 °C [mm²/s]; 34.5 at 40 °C and 7.4 at 100 °C by ASTM D341."""

COLDEST_C = -10.0
"""Below this the drag is taken as here [°C]: the line is extrapolation there, and flow breaks off."""

STALL_TORQUE_RATIO = 1.9
"""Torque ratio of a converter at stall [-]; common practice, no source: 1.6 to 2.2."""

COUPLING_SPEED_RATIO = 0.88
"""Speed ratio from which a converter no longer multiplies torque [-]; common practice: 0.85 to 0.9."""

TORQUE_RATIO_SD = 0.06
"""How far another converter's torque ratio may lie from that line, half-way to the coupling point [-]."""

CONVERTER_LOSS_SHARE = 0.11
"""Share of the engine power turned to heat in an unlocked converter past its coupling point
[-]. Between the worked cases of speed ratio 0.85 with torque ratio 1.02 (1 - 0.85 × 1.02 = 0.133) and
0.90 with 1.00 (0.10)."""

CONVERTER_LAUNCH_KM_H = 8.0
"""Speed over which the loss of a launch (all of the power at stall) falls to a third [km/h]."""

ASSUMED_LOCKED_KM_H = 50.0
"""Speed above which the converter clutch is likely on where no signal says so [km/h]."""

USUAL_SLIP_RPM = 10.0
"""Slip of a closed clutch where nothing tells it, and its spread [1/min]; common practice, no source: sound
clutches slip by 4 to 25, those that control their slip by some tens."""

SLIP_SIGNAL_SHARE = 0.1
"""Spread of a measured slip, as a share of it [-]; own choice."""

LOSS_SPREAD = 0.18
"""Spread of gear and spin losses from truck to truck, as a share [-]; own choice."""

IDLE_LOAD = 0.04
ROAD_LOAD = 0.3
PACE_LOAD = 0.25
LOAD_SPREAD = 0.25
"""Share of the rated torque at standstill, on the road, more for each km/h per s gained, and how far all
that may be off [-]; common practice, no source."""


@compiled
def torque_ratio(speed_ratio: float) -> float:
    """Turbine torque over engine torque at a speed ratio [-]: a straight line down to one."""
    if speed_ratio >= COUPLING_SPEED_RATIO:
        return 1.0
    return STALL_TORQUE_RATIO - (STALL_TORQUE_RATIO - 1.0) * speed_ratio / COUPLING_SPEED_RATIO


@compiled
def converter_share(speed_ratio: float) -> float:
    """Share of the power that an unlocked converter turns to heat [-].

    Parameters
    ----------
    speed_ratio
        Turbine speed over engine speed [-].

    Source
    ------
    ``1 - SR·TR``, from ``T·ω`` in and ``TR·T · SR·ω`` out (terms of SAE J643, from memory). Above one
    the wheels drive the engine and what is lost is the slip's share.
    """
    ratio = max(0.0, speed_ratio)
    return abs(1.0 - ratio * torque_ratio(ratio))


@compiled
def _unlocked_share(speed_km_h: float) -> float:
    """Share of the power lost in an unlocked converter, by road speed alone [-]."""
    speed = 0.0 if math.isnan(speed_km_h) else speed_km_h
    launch = (1.0 - CONVERTER_LOSS_SHARE) * math.exp(-speed / CONVERTER_LAUNCH_KM_H)
    return CONVERTER_LOSS_SHARE + launch


@compiled
def _by_ratio(power_w: float, ratio: float, ratio_sd: float) -> tuple[float, float]:
    """Heat of an unlocked converter by its speed ratio, and its standard deviation [W]."""
    share = converter_share(ratio)
    lower = converter_share(ratio - ratio_sd)
    upper = converter_share(ratio + ratio_sd)
    # Near 1 both sides may give more than the middle: it is never surer than a part of the ratio.
    unsure = max(abs(lower - share), abs(upper - share), 0.3 * ratio_sd)
    way = min(1.0, max(0.0, ratio / COUPLING_SPEED_RATIO))
    bend = 4.0 * way * (1.0 - way) * TORQUE_RATIO_SD * ratio
    return share * power_w, math.sqrt(unsure**2 + bend**2 + 0.01**2) * power_w


@compiled
def _slip_heat(torque_nm: float, slip_rpm: float) -> float:
    return abs(torque_nm * slip_rpm) * _RAD_S_PER_RPM


@compiled
def converter_heat(
    torque_nm: float,
    rpm: float,
    speed_km_h: float,
    lockup: float,
    slip_rpm: float,
    slip_sd_rpm: float,
    speed_ratio: float,
    speed_ratio_sd: float,
) -> tuple[float, float]:
    """Heat made in the converter and its clutch, and its standard deviation [W].

    The slip speaks of the clutch: where the clutch is not commanded it says nothing of the
    converter, whatever its value. Parameters as for ``gearbox_heat``.
    """
    known = not math.isnan(slip_rpm)
    power_w = abs(torque_nm) * rpm * _RAD_S_PER_RPM
    if lockup > 0.5 and not known:
        usual_w = _slip_heat(torque_nm, USUAL_SLIP_RPM)
        return usual_w, usual_w
    if not lockup > 0.5 and not math.isnan(speed_ratio):
        return _by_ratio(power_w, speed_ratio, speed_ratio_sd)
    if lockup > 0.5 or (math.isnan(lockup) and abs(slip_rpm) > 0.0):
        slip_w = _slip_heat(torque_nm, slip_rpm)
        return slip_w, max(SLIP_SIGNAL_SHARE * slip_w, _slip_heat(torque_nm, slip_sd_rpm))
    share = _unlocked_share(speed_km_h)
    if lockup < 0.5:
        return share * power_w, 0.35 * share * power_w
    if speed_km_h >= ASSUMED_LOCKED_KM_H:
        # Nobody says whether the clutch is on: likely it is, but a long pull may well be
        # without.
        return 0.25 * share * power_w, 0.75 * share * power_w
    return share * power_w, 0.5 * share * power_w


@compiled
def spin_loss(rpm: float, fluid_c: float) -> float:
    """Pump and drag loss [W] at an engine speed [1/min] and a fluid temperature [°C], NaN: warm."""
    warm: float = SPIN_LOSS_W * (rpm / 1700.0) ** 1.5
    if math.isnan(fluid_c):
        return warm
    kelvin = max(COLDEST_C, fluid_c) + 273.15
    thick: float = 10.0 ** (10.0 ** (7.7635 - 3.0348 * math.log10(kelvin))) - 0.7
    return warm * (1.0 - DRAG_SHARE + DRAG_SHARE * math.sqrt(max(0.2, thick / WARM_MM2_S)))


@compiled
def gearbox_heat(
    torque_nm: float,
    rpm: float,
    speed_km_h: float,
    gear: float,
    lockup: float,
    slip_rpm: float,
    slip_sd_rpm: float = 0.0,
    speed_ratio: float = math.nan,
    speed_ratio_sd: float = 0.0,
    torque_sd_nm: float = 0.0,
    fluid_c: float = math.nan,
) -> tuple[float, float]:
    """Heat going into the fluid, and how unsure that is.

    Parameters
    ----------
    torque_nm
        Engine torque [N·m], negative when the wheels drive the engine, NaN if unknown.
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
    slip_sd_rpm
        Standard deviation of that slip [1/min].
    speed_ratio
        Turbine speed over engine speed [-], NaN if unknown.
    speed_ratio_sd
        Standard deviation of that ratio [-].
    torque_sd_nm
        Standard deviation of the torque [N·m], where it is a guess.
    fluid_c
        Temperature of the fluid [°C], NaN: taken as warm.

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
    spin = spin_loss(rpm, fluid_c)
    if gear == 0.0:
        return spin, 0.3 * spin
    converter, converter_sd = converter_heat(
        torque_nm, rpm, speed_km_h, lockup, slip_rpm, slip_sd_rpm, speed_ratio, speed_ratio_sd
    )
    gears = GEAR_LOSS_SHARE * abs(torque_nm) * rpm * _RAD_S_PER_RPM
    guessed = (converter + gears) * torque_sd_nm / max(abs(torque_nm), 1.0)
    sd = math.sqrt(converter_sd**2 + (LOSS_SPREAD * (gears + spin)) ** 2 + guessed**2) + 100.0
    return converter + gears + spin, sd


@compiled
def guessed_torque(
    rated_torque_nm: float, rpm: float, speed_km_h: float, pace_km_h_s: float
) -> tuple[float, float]:
    """Guess the engine's torque where no signal tells it, and its standard deviation [N·m].

    A truck on the road draws a third of what its engine has, more when it gathers speed and nothing when it
    loses some; a grade does as much as that and is not seen.

    Parameters
    ----------
    rated_torque_nm
        Torque at full load [N·m].
    rpm
        Engine speed [1/min], NaN if unknown.
    speed_km_h
        Road speed [km/h], NaN if unknown.
    pace_km_h_s
        Change of road speed [km/h per s], NaN if unknown.
    """
    if math.isnan(rpm) or math.isnan(speed_km_h):
        return math.nan, math.nan
    if speed_km_h < 1.0:
        return IDLE_LOAD * rated_torque_nm, IDLE_LOAD * rated_torque_nm
    pace = 0.0 if math.isnan(pace_km_h_s) else pace_km_h_s
    share = min(0.9, max(0.03, ROAD_LOAD + PACE_LOAD * pace))
    return share * rated_torque_nm, LOAD_SPREAD * rated_torque_nm
