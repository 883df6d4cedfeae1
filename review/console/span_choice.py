"""Which span of a truck's history somebody wants to see, from the address of the page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from urllib.parse import urlencode

from review.problems import Mistake

DAY_MS = 86_400_000
PRESETS: Mapping[str, tuple[str, int]] = {
    "day": ("24 hours", DAY_MS),
    "week": ("7 days", 7 * DAY_MS),
    "month": ("30 days", 30 * DAY_MS),
    "year": ("12 months", 365 * DAY_MS),
}
"""What can be chosen at a touch, and how long it is [ms]; beside them the whole fill."""

LEAST_MS = 600_000
"""A preset is no shorter, however new the truck [ms]."""

FIRST_YEAR, LAST_YEAR = 1970, 2199
"""Years that can be asked for."""

_EARLIEST_MS, _LATEST_MS = (
    round(datetime(year, 1, 1, tzinfo=UTC).timestamp() * 1000) + days * DAY_MS
    for year, days in ((FIRST_YEAR, -1), (LAST_YEAR + 1, 1))  # wherever the clocks stand
)

FILL = "fill"
USUAL = "day"


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A span [Unix ms]; ``preset`` names what was chosen, empty: own dates. ``live``: it ends now."""

    first_ms: int
    last_ms: int
    preset: str = ""
    live: bool = False

    @property
    def length_ms(self) -> int:
        """Give how long it is [ms]."""
        return self.last_ms - self.first_ms

    def moved(self, times: int) -> Span:
        """Give the span before (-1) or after (1)."""
        by_ms = times * self.length_ms
        return Span(first_ms=self.first_ms + by_ms, last_ms=self.last_ms + by_ms)

    @property
    def query(self) -> str:
        """Give it as a part of an address."""
        return urlencode({"first": self.first_ms, "last": self.last_ms})


def chosen(
    query: Mapping[str, str],
    *,
    oldest_ms: int,
    newest_ms: int,
    fill_ms: int,
    live: bool,
    zone: tzinfo,
) -> Span:
    """Read a span from an address; one that asks for nothing gets the last day.

    Parameters
    ----------
    query
        ``span`` (a preset), or ``first`` and ``last`` [Unix ms], or ``from`` and ``to`` (dates).
    oldest_ms
        The truck's first sample: a preset does not begin before [Unix ms].
    newest_ms
        Where presets end: now where the truck is heard, else at its newest sample [Unix ms].
    fill_ms
        Since when the fluid is in [Unix ms].
    live
        The truck is heard: a preset goes along with the clock.
    zone
        Of the fleet.

    Raises
    ------
    Mistake
        What is asked for is no span.
    """
    if "first" in query or "last" in query:
        return _ordered(_number(query, "first"), _number(query, "last"))
    if query.get("from") or query.get("to"):
        first = _day(query.get("from") or query["to"])
        last = _day(query.get("to") or query["from"])
        return _ordered(_midnight(first, zone), _midnight(last + timedelta(days=1), zone))
    name = query.get("span", USUAL)
    if name != FILL and name not in PRESETS:
        raise Mistake(f"{name!r} is no span; choose {', '.join((*PRESETS, FILL))}")
    begin_ms = fill_ms if name == FILL else newest_ms - PRESETS[name][1]
    first_ms = min(max(begin_ms, oldest_ms), newest_ms - LEAST_MS)
    return Span(first_ms=first_ms, last_ms=newest_ms, preset=name, live=live)


def _ordered(first_ms: int, last_ms: int) -> Span:
    if last_ms <= first_ms:
        raise Mistake("the span ends before it begins; choose a later end")
    if first_ms < _EARLIEST_MS or last_ms > _LATEST_MS:
        raise Mistake(f"a span lies between {FIRST_YEAR} and {LAST_YEAR}; choose other dates")
    return Span(first_ms=first_ms, last_ms=last_ms)


def _number(query: Mapping[str, str], name: str) -> int:
    try:
        return int(query[name])
    except (KeyError, ValueError):
        raise Mistake(
            "a span needs first and last, both in milliseconds since 1970; choose dates instead"
        ) from None


def _day(text: str) -> date:
    try:
        found = date.fromisoformat(text)
    except ValueError:
        raise Mistake(f"{text!r} is no date; write one like 2026-06-16") from None
    if not FIRST_YEAR <= found.year <= LAST_YEAR:
        raise Mistake(f"{text} lies too far away; choose a year of {FIRST_YEAR} to {LAST_YEAR}")
    return found


def _midnight(day: date, zone: tzinfo) -> int:
    return round(datetime.combine(day, time(), zone).timestamp() * 1000)
