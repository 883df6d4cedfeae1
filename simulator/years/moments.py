"""The days of the two years."""

from __future__ import annotations

from datetime import UTC, date, datetime, time

from simulator.northfold import START_MS as END_MS

__all__ = ["DAYS", "DAY_MS", "END_MS", "FAILED", "FIRST_DAY", "LAST_DAY", "START_MS", "at"]

DAY_MS = 86_400_000

FIRST_DAY = date(2024, 6, 17)
LAST_DAY = date(2026, 6, 16)

FAILED = date(2026, 3, 18)
"""The day on which the gearbox of NF-08 fails."""

SHOP_HOUR = 13.0
"""When a truck is in the shop on the day of a service [hours after midnight UTC]."""


def at(day: date, hour: float = SHOP_HOUR) -> int:
    """Give an hour of a day [Unix ms]."""
    return round(datetime.combine(day, time(0), UTC).timestamp() * 1000 + 3_600_000 * hour)


START_MS = at(FIRST_DAY, 0.0)
DAYS = (END_MS - START_MS) // DAY_MS + 1
