"""What an engine can give: a load in per cent is of the torque available at that speed, not of the peak."""

from __future__ import annotations

from models.compiled import compiled

IDLE_RPM = 650.0
FULL_RPM = 1450.0
IDLE_SHARE = 0.45
"""Share of the peak torque that is available at ``IDLE_RPM``, rising to all of it at ``FULL_RPM`` [-]; common
practice for turbocharged engines, no source. With the peak at every speed an idling truck would seem to make
twice the heat it makes."""


@compiled
def available_share(rpm: float) -> float:
    """Torque available at an engine speed [1/min], as a share of the peak [-]."""
    rising = IDLE_SHARE + (1.0 - IDLE_SHARE) * (rpm - IDLE_RPM) / (FULL_RPM - IDLE_RPM)
    return min(1.0, max(0.35, rising))
