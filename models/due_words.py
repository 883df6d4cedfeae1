"""When a service is due, in words and in the units and the time zone people chose."""

from __future__ import annotations

import math

from models.due import Due
from models.units import Units


def due_in_words(
    units: Units,
    reason: str,
    *,
    overdue: bool,
    median_ms: float,
    early_ms: float,
    late_ms: float,
) -> str:
    """Say on which day a service is due, between which days in 8 of 10 cases, and by what.

    Times are Unix ms, NaN for "not within five years". An age is known, so it has a date only.
    """
    if overdue:
        return f"Service due since {units.day(median_ms)}, by {reason}"
    if math.isnan(median_ms):
        if math.isnan(early_ms):
            return "Service not due within five years at the pace of the last weeks"
        by = units.day(early_ms)
        return f"Service probably not due within five years (1 in 10: by {by}), by {reason}"
    about = f"Service due about {units.day(median_ms)}"
    if early_ms == late_ms:
        return f"Service due on {units.day(median_ms)}, by {reason}"
    if math.isnan(late_ms):
        return f"{about} (8 in 10: from {units.day(early_ms)}, or not within five years), by {reason}"
    together = units.year(early_ms) == units.year(median_ms) == units.year(late_ms)
    early = units.day(early_ms, year=not together)
    late = units.day(late_ms, year=not together)
    return f"{about} (8 in 10: {early} to {late}), by {reason}"


def words_of(due: Due, units: Units) -> str:
    """Say when a truck's service is due."""
    return due_in_words(
        units,
        due.reason,
        overdue=due.overdue,
        median_ms=_or_nan(due.median_ms),
        early_ms=_or_nan(due.early_ms),
        late_ms=_or_nan(due.late_ms),
    )


def _or_nan(time_ms: int | None) -> float:
    return math.nan if time_ms is None else float(time_ms)
