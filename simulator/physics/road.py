"""Road load: what the wheels must push against."""

from __future__ import annotations

import math

GRAVITY_M_S2 = 9.80665
"""Standard gravity [m/s²]."""

AIR_DENSITY_KG_M3 = 1.184
"""Dry air at 25 °C and 101.325 kPa [kg/m³]; from the ideal gas law."""


def road_load_n(
    mass_kg: float,
    speed_m_s: float,
    *,
    grade_pct: float,
    drag_area_m2: float,
    rolling: float,
) -> float:
    """Force against the motion [N]: rolling, climbing and drag, the grade as rise over run.

    The usual sum ``m·g·(f·cos a + sin a) + ½·ρ·CdA·v²`` of vehicle dynamics textbooks.
    """
    rise = 0.01 * grade_pct
    cosine = 1.0 / math.sqrt(1.0 + rise * rise)
    weight = mass_kg * GRAVITY_M_S2
    resting = rolling if speed_m_s > 0.0 else 0.0
    drag = 0.5 * AIR_DENSITY_KG_M3 * drag_area_m2 * speed_m_s * speed_m_s
    return weight * cosine * (resting + rise) + drag
