"""How a page writes numbers and times for whoever looks at it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

from models.units import Units

NOT_KNOWN = "–"
"""Stands where nothing is known: never a zero."""

_MINUTE_MS, _HOUR_MS, _DAY_MS = 60_000, 3_600_000, 86_400_000


@dataclass(frozen=True, slots=True)
class Say:
    """Writes for one reader; ``now_ms`` is now [Unix ms]."""

    units: Units
    now_ms: int

    def degrees(self, celsius: float | None) -> str:
        """Write a temperature given in °C."""
        return NOT_KNOWN if _unknown(celsius) else self.units.degrees(celsius or 0.0)

    def length(self, km: float | None) -> str:
        """Write a distance given in km."""
        return NOT_KNOWN if _unknown(km) else self.units.length(km or 0.0)

    def amount(self, litres: float | None) -> str:
        """Write a volume given in litres."""
        return NOT_KNOWN if _unknown(litres) else self.units.amount(litres or 0.0)

    def percent(self, share: float | None) -> str:
        """Write a share [-]."""
        return NOT_KNOWN if _unknown(share) else f"{share:.0%}"

    def hours(self, hours: float | None) -> str:
        """Write a number of hours."""
        if hours is None or _unknown(hours):
            return NOT_KNOWN
        return f"{hours:,.1f} h" if hours < 10 else f"{hours:,.0f} h"

    def at(self, time_ms: float | None) -> datetime | None:
        """Give a moment in the reader's zone."""
        if time_ms is None or _unknown(time_ms):
            return None
        return datetime.fromtimestamp(time_ms / 1000, self.units.zone)

    def moment(self, time_ms: float | None) -> str:
        """Write a time as people of the fleet say it: the clock today, the day and the clock otherwise."""
        at = self.at(time_ms)
        now = self.at(self.now_ms)
        if at is None or now is None:
            return NOT_KNOWN
        if at.date() == now.date():
            return f"{at:%H:%M}"
        return f"{at.day} {at:%b} {at:%H:%M}" if at.year == now.year else f"{at:%Y-%m-%d %H:%M}"

    def day(self, time_ms: float | None) -> str:
        """Write a day."""
        at = self.at(time_ms)
        return NOT_KNOWN if at is None else self.units.day(at.timestamp() * 1000)

    def full(self, time_ms: float | None) -> str:
        """Write a time in full, with its zone."""
        at = self.at(time_ms)
        return NOT_KNOWN if at is None else f"{at:%Y-%m-%d %H:%M %Z}"

    def machine(self, time_ms: float | None) -> str:
        """Write a time for the ``datetime`` attribute of HTML."""
        at = self.at(time_ms)
        return "" if at is None else at.isoformat(timespec="seconds")

    def ago(self, time_ms: float | None) -> str:
        """Write how long ago something was."""
        if time_ms is None or _unknown(time_ms):
            return "never"
        gone = self.now_ms - time_ms
        if gone < _MINUTE_MS:
            return "just now"
        if gone < 2 * _HOUR_MS:
            return f"{gone // _MINUTE_MS:.0f} min ago"
        if gone < 2 * _DAY_MS:
            return f"{gone // _HOUR_MS:.0f} h ago"
        return f"{gone // _DAY_MS:.0f} days ago"


def _unknown(value: float | None) -> bool:
    return value is None or not math.isfinite(value)
