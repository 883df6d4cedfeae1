"""The heat made now: signals, slip and speed ratio of one truck put to ``models.heat``."""

from __future__ import annotations

import math

from models.compiled import compiled
from models.heat import gearbox_heat, guessed_torque
from models.kinematics import SLIP_SIGNAL_SD_RPM, SMOOTH_S, Kinematics, KinematicsParams
from models.view import View

ACCESSORY_SHARE = 0.02
"""Share of the rated torque that fan, alternator and pumps take before the converter, and its spread [-];
common practice, no source. It matters at standstill alone."""

TORQUE_HELD_MS = 20_000.0
HELD_SPREAD = 0.15
"""Age at which a held torque says little of now [ms], and how far it is off by then, as a share of the rated
torque [-]; own choice."""

SMOOTH_SLIP_SD_RPM = 8.0
"""Error of an estimated slip after smoothing [1/min]; own choice."""


@compiled
def refine_heat(params: KinematicsParams, state: Kinematics, view: View) -> None:
    """Write the heat into the view, with what slips and how stale the torque is.

    Parameters
    ----------
    params
        Of this truck.
    state
        After ``models.kinematics.observe`` of the same sample.
    view
        The truck at the newest sample; its heat is set.
    """
    slip_rpm, slip_sd_rpm = view.slip_rpm, SLIP_SIGNAL_SD_RPM
    if math.isnan(slip_rpm) and state.closed == 1 and state.smooth_s >= SMOOTH_S:
        slip_rpm = max(0.0, state.smooth_rpm) if view.torque_nm > 0.0 else 0.0
        slip_sd_rpm = SMOOTH_SLIP_SD_RPM
    spare_nm = ACCESSORY_SHARE * params.rated_torque_nm
    held = min(1.0, (view.time_ms - view.torque_ms) / TORQUE_HELD_MS)
    torque_nm = view.torque_nm
    torque_sd_nm = spare_nm + held * HELD_SPREAD * params.rated_torque_nm
    if torque_nm > 0.0:
        torque_nm = max(0.0, torque_nm - spare_nm)
    if math.isnan(torque_nm):
        torque_nm, torque_sd_nm = guessed_torque(
            params.rated_torque_nm, view.rpm, view.speed_km_h, state.pace_km_h_s
        )
    view.heat_w, view.heat_sd_w = gearbox_heat(
        torque_nm,
        view.rpm,
        view.speed_km_h,
        view.gear,
        view.lockup,
        slip_rpm,
        slip_sd_rpm,
        state.speed_ratio,
        state.speed_ratio_sd,
        torque_sd_nm,
        view.fluid_c,
    )
