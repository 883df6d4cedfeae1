"""Outside air by hour of the day."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """A day's air: mean, half the daily swing, and the hour (UTC) of the highest value."""

    mean_c: float = 24.0
    swing_c: float = 8.0
    peak_hour: float = 13.0

    def ambient_c(self, time_s: float) -> float:
        """Outside air [°C] at a Unix time in seconds."""
        hour = (time_s / 3600.0) % 24.0
        return self.mean_c + self.swing_c * math.cos((hour - self.peak_hour) * math.pi / 12.0)
