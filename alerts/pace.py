"""How soon the same reader may be told again: at once in calm, in bundles in a storm.

Pure, and from stored sendings alone, so that a restart in a storm repeats nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

HOUR_MS = 3_600_000
"""Span [ms] over which sendings count."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PaceRules:
    """What one reader can bear.

    ``gather_ms`` is how long the first telling waits for others [ms]: trucks alarm together within
    seconds (a heat wave, a restart that reads a backlog), and one notice of forty is better than one of
    one and another of thirty-nine; beside the minutes a detector needs, two seconds are nothing.
    ``gaps_ms`` are the least times after the first, second, … sending within an hour [ms]; the
    last one repeats. ``critical_gap_ms`` is the least time after any sending when something critical
    waits [ms], which is therefore the longest it waits: with 20 s there are three notices in a minute.
    ``per_hour`` bounds the rest; what then waits goes out as one bundle.
    """

    gather_ms: int = 2_000
    gaps_ms: tuple[int, ...] = (20_000, 20_000, 60_000, 300_000, 600_000)
    critical_gap_ms: int = 20_000
    per_hour: int = 10


USUAL = PaceRules()


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """Since when anything waits for a reader, and anything critical (None: nothing) [Unix ms]."""

    since_ms: int
    critical_since_ms: int | None = None


def next_ms(recent_ms: Sequence[int], waiting: Waiting, rules: PaceRules) -> int:
    """Give the earliest time of the next sending [Unix ms].

    Parameters
    ----------
    recent_ms
        When the reader was told, or may have been, within the last hour [Unix ms].
    waiting
        What waits.
    rules
        What the reader can bear.
    """
    told = sorted(recent_ms)
    if not told:
        return waiting.since_ms + rules.gather_ms
    calm_ms = max(waiting.since_ms + rules.gather_ms, told[-1] + _gap_ms(len(told), rules))
    if len(told) >= rules.per_hour:
        calm_ms = max(calm_ms, told[-rules.per_hour] + HOUR_MS)
    if waiting.critical_since_ms is None:
        return calm_ms
    # Nothing gathers here: whoever waits for the gap has gathered meanwhile.
    return min(calm_ms, max(waiting.critical_since_ms, told[-1] + rules.critical_gap_ms))


def _gap_ms(count: int, rules: PaceRules) -> int:
    return rules.gaps_ms[min(count, len(rules.gaps_ms)) - 1]
