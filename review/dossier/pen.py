"""How a review writes numbers and times: for one reader's units, or in both for paper."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from models.units import METRIC, US, Units
from review.console.say import NOT_KNOWN

_MINUTE_S, _HOUR_S, _DAY_S = 60.0, 3_600.0, 86_400.0
_Measure = Literal["degrees", "difference", "length", "amount"]


@dataclass(frozen=True, slots=True)
class Pen:
    """Writes; ``both`` for a paper that others read, who may have other units."""

    units: Units
    both: bool = False

    def degrees(self, celsius: float) -> str:
        """Write a temperature given in °C."""
        return self._in("degrees", celsius, us_first=self.units.temperature == "F")

    def difference(self, kelvin: float) -> str:
        """Write a difference of temperatures given in K."""
        return self._in("difference", kelvin, us_first=self.units.temperature == "F")

    def length(self, km: float) -> str:
        """Write a distance given in km."""
        return self._in("length", km, us_first=self.units.distance == "mi")

    def amount(self, litres: float) -> str:
        """Write a volume given in litres."""
        return self._in("amount", litres, us_first=self.units.volume == "qt")

    def moment(self, time_ms: float) -> str:
        """Write a time to the minute."""
        at = datetime.fromtimestamp(time_ms / 1000, self.units.zone)
        return f"{self.units.day(time_ms)} {at:%H:%M}"

    def stamp(self, time_ms: float) -> str:
        """Write a time so that a column of them is in order and equally wide."""
        return f"{datetime.fromtimestamp(time_ms / 1000, self.units.zone):%Y-%m-%d %H:%M}"

    def day(self, time_ms: float) -> str:
        """Write a day."""
        return self.units.day(time_ms)

    def zone(self, time_ms: float) -> str:
        """Name the time zone, with its offset at a time."""
        at = datetime.fromtimestamp(time_ms / 1000, self.units.zone)
        offset = at.strftime("%z")
        return f"{self.units.zone} (UTC{offset[:3]}:{offset[3:5]} at the end)"

    def lasting(self, seconds: float) -> str:
        """Write a length of time in the unit that suits it."""
        if not math.isfinite(seconds):
            return NOT_KNOWN
        if seconds < 1.5 * _MINUTE_S:
            return f"{seconds:.0f} s"
        if seconds < 2.0 * _HOUR_S:
            return f"{seconds / _MINUTE_S:.0f} min"
        if seconds < 3.0 * _DAY_S:
            return f"{seconds / _HOUR_S:,.1f} h"
        return f"{seconds / _DAY_S:,.0f} days"

    def hours(self, hours: float) -> str:
        """Write hours: minutes where they are few."""
        if not math.isfinite(hours):
            return NOT_KNOWN
        if hours == 0.0:
            return "none"
        return f"{60.0 * hours:.0f} min" if hours < 1.0 else f"{hours:,.1f} h"

    def life(self, share: float) -> str:
        """Write a share of a life, or of its ageing: small ones are not none."""
        if not math.isfinite(share):
            return NOT_KNOWN
        if 0.0 < share < 0.0001:
            return "under 0.01%"
        return f"{100.0 * share:.2f}%" if share < 0.1 else f"{100.0 * share:.0f}%"

    def _in(self, measure: _Measure, value: float, *, us_first: bool) -> str:
        if not math.isfinite(value):
            return NOT_KNOWN
        if not self.both:
            return str(getattr(self.units, measure)(value))
        first, second = (US, METRIC) if us_first else (METRIC, US)
        return f"{getattr(first, measure)(value)} ({getattr(second, measure)(value)})"


def likely(probability: float) -> str:
    """Write a probability; what is inferred is neither certain nor impossible."""
    if not math.isfinite(probability):
        return NOT_KNOWN
    if probability > 0.99:
        return "over 99%"
    return "under 1%" if probability < 0.01 else f"{100.0 * probability:.0f}%"
