"""How closely alarms follow each other: the most in any ten minutes, and floods. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class FloodRule:
    """When a flood begins and ends, for one operating position.

    It begins with the alarm that makes more than ``begins_above`` within ``within_ms``, and ends when
    fewer than ``ends_below`` lie within it. ISA-18.2 and EEMUA 191, from memory: over 10, under 5, in
    10 minutes.
    """

    within_ms: int = 600_000
    begins_above: int = 10
    ends_below: int = 5


def peak(times_ms: Sequence[int], within_ms: int, *, since_ms: int, until_ms: int) -> int:
    """Give the most alarms that any window ending in the span holds (a window holds its end only).

    ``times_ms`` in ascending order.
    """
    most = first = 0
    for place, time_ms in enumerate(times_ms):
        while times_ms[first] <= time_ms - within_ms:
            first += 1
        if since_ms <= time_ms < until_ms:
            most = max(most, place - first + 1)
    return most


def floods(
    times_ms: Sequence[int], rule: FloodRule, *, positions: int = 1
) -> list[tuple[int, int]]:
    """Give the floods as (begin, end) [ms]; ``positions`` share the alarms evenly.

    ``times_ms`` in ascending order.
    """
    found: list[tuple[int, int]] = []
    begun_ms: int | None = None
    inside = 0
    for time_ms, change in _changes(times_ms, rule.within_ms):
        inside += change
        if begun_ms is None and inside > rule.begins_above * positions:
            begun_ms = time_ms
        elif begun_ms is not None and inside < rule.ends_below * positions:
            found.append((begun_ms, time_ms))
            begun_ms = None
    return found


def overlap_ms(spans: Sequence[tuple[int, int]], *, since_ms: int, until_ms: int) -> int:
    """Give how much of a span [ms] other spans cover that do not cover each other."""
    return sum(
        max(0, min(end_ms, until_ms) - max(begin_ms, since_ms)) for begin_ms, end_ms in spans
    )


def _changes(times_ms: Sequence[int], within_ms: int) -> Iterator[tuple[int, int]]:
    """Give the moments at which the count within the window changes, what leaves it first."""
    left = [(time_ms + within_ms, -1) for time_ms in times_ms]
    came = [(time_ms, 1) for time_ms in times_ms]
    yield from sorted(left + came)
