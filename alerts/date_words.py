"""The words of a service date that moved, or that nobody can follow."""

from __future__ import annotations

import math
from collections.abc import Mapping

from models.due import REASONS
from models.units import Units

DUE_MS = "due_median_ms"
EARLY_MS = "due_early_ms"
LATE_MS = "due_late_ms"
DUE_BY = "due_by"
"""The numbers in the evidence of a service alarm: its date and the days that hold it in 8 of 10 cases
[Unix ms], NaN for none within sight; the place in ``models.due.REASONS`` of the limit that comes first."""

TOLD_MS = "told_due_ms"
TOLD_BY = "told_due_by"
"""Date and limit as they were told before, in the evidence of a new date."""

NO_DATA_SINCE_MS = "no_data_since_ms"
"""The number in the evidence that says since when no data came [Unix ms]."""

_DAY_MS = 86_400_000


def moved_words(evidence: Mapping[str, float], units: Units) -> str:
    """Say what the date was, what it is now, and by what."""
    before_ms, due_ms = (evidence.get(name, math.nan) for name in (TOLD_MS, DUE_MS))
    before = _dated("Told before", before_ms, _reason(evidence, TOLD_BY), units)
    now = _dated("Now", due_ms, _reason(evidence, DUE_BY), units)
    return f"{before}\n{now}{_shift(before_ms, due_ms)}"


def moved_line(evidence: Mapping[str, float], units: Units) -> str:
    """Say what the date was, in one line."""
    before_ms = evidence.get(TOLD_MS, math.nan)
    if not math.isfinite(before_ms):
        return "Before, no date was told"
    return f"Before, {units.day(before_ms)} was told"


def quiet_words(evidence: Mapping[str, float], units: Units) -> str:
    """Say that the date told is not followed, and since when."""
    told = _dated("Told before", evidence.get(DUE_MS, math.nan), "", units)
    return (
        f"{told}\n{no_data_words(evidence, units)} Until data come again nobody can follow this date: if "
        "the truck was driven meanwhile, the service is due sooner; if it stood, it may be later."
    )


def no_data_words(evidence: Mapping[str, float], units: Units) -> str:
    """Say since when no data came; nothing where they do come."""
    since_ms = evidence.get(NO_DATA_SINCE_MS, math.nan)
    if not math.isfinite(since_ms):
        return ""
    return f"No data from this truck since {units.day(since_ms)}."


def _reason(evidence: Mapping[str, float], name: str) -> str:
    place = evidence.get(name, math.nan)
    return f", by {REASONS[int(place)]}" if place in range(len(REASONS)) else ""


def _dated(lead: str, time_ms: float, reason: str, units: Units) -> str:
    if not math.isfinite(time_ms):
        return f"{lead}: no date within sight."
    return f"{lead}: {units.day(time_ms)}{reason}."


def _shift(before_ms: float, due_ms: float) -> str:
    if not (math.isfinite(before_ms) and math.isfinite(due_ms)):
        return ""
    days = round((due_ms - before_ms) / _DAY_MS)
    return f" That is {abs(days)} days {'later' if days > 0 else 'sooner'}."
