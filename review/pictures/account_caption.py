"""What the picture of an account shows, and how that is said in words."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo

from review.measures import day
from review.plain_text import harmless

LISTED = 8
"""Most entries that are numbered and listed below the picture; earlier ones are only marked."""

_SPACE = "\N{NO-BREAK SPACE}" * 3


@dataclass(frozen=True, slots=True)
class AccountPoint:
    """Life used [-] with its 80 % band at a time [Unix ms]."""

    time_ms: int
    low: float
    best: float
    high: float


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that was done at a time [Unix ms], in a few words."""

    time_ms: int
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """When a service will be due [Unix ms]: median, ends of 8 in 10; None: not within the years looked ahead.

    ``reason``: heat, distance or age; by heat it is the best estimate's way to ``level`` [-].
    """

    median_ms: int | None
    early_ms: int | None
    late_ms: int | None
    reason: str = "heat"
    level: float = 1.0


def summary(now: AccountPoint, forecast: Forecast | None, zone: tzinfo) -> str:
    """Say where the account stands and when it will be due."""
    text = (
        f"{day(now.time_ms, zone)}: {_percent(now.best)} used "
        f"(80 % band {_percent(now.low)} to {_percent(now.high)})"
    )
    return text if forecast is None else f"{text}; {_when(forecast, now.time_ms, zone)}"


def _when(forecast: Forecast, now_ms: int, zone: tzinfo) -> str:
    by = f"by {forecast.reason}"
    if forecast.median_ms is None:
        if forecast.early_ms is None:
            return "not due as far as is looked ahead"
        return f"due {by} {day(forecast.early_ms, zone)} at the earliest (80 %), probably later"
    if forecast.median_ms <= now_ms:
        return f"due {by}"
    about = f"due {by} about {day(forecast.median_ms, zone)}"
    early = forecast.median_ms if forecast.early_ms is None else forecast.early_ms
    if forecast.late_ms is None:
        return f"{about} (80 %: {day(early, zone)} or later)"
    if early == forecast.late_ms:
        return about
    return f"{about} (80 %: {day(early, zone)} to {day(forecast.late_ms, zone)})"


def description(
    points: Sequence[AccountPoint],
    marks: Sequence[Mark],
    forecast: Forecast | None,
    zone: tzinfo,
) -> str:
    """Say all that the picture shows."""
    first = points[0]
    parts = [
        "Life used over time, with lines at 80, 95 and 100 % of the limit.",
        f"{day(first.time_ms, zone)}: {_percent(first.best)} used.",
        f"{summary(points[-1], forecast, zone)}.",
    ]
    if marks:
        entries = "; ".join(f"{day(mark.time_ms, zone)} {mark.text}" for mark in marks)
        parts.append(f"Entries: {entries}.")
    return " ".join(parts)


def key(marks: Sequence[Mark], zone: tzinfo) -> list[str]:
    """Write what the numbers stand for, a line each."""
    unlisted = max(0, len(marks) - LISTED)
    lines = [
        _SPACE.join((str(number), day(mark.time_ms, zone), _short(mark.text)))
        for number, mark in enumerate(marks[unlisted:], 1)
    ]
    if unlisted:
        lines.append(f"and {unlisted} before, marked without a number")
    return lines


def _short(text: str) -> str:
    return textwrap.shorten(harmless(text), 100, placeholder=" …")


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %"
