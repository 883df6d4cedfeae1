"""When to try again, and when to stop trying: pure rules over what happened."""

from __future__ import annotations

from collections import deque
from random import Random

MINUTE_MS = 60_000

EARLY_MS = 10_000
"""A connection that ends younger than this ended right after it was made. Our choice: several
times the reconnect delay of a competitor, far below the life of a real connection."""

TOLD_LIMIT = 1
"""Takeovers per minute, as told by the broker, that are no fight yet. A broker that wakes from
a freeze can read our own dead connection after the living one and report one takeover."""

EARLY_LIMIT = 3
"""Early ends per minute that are no suspicion yet."""


def delay_s(attempt: int, *, least: float, most: float, rng: Random) -> float:
    """Double with each attempt up to `most`; jitter keeps a fleet of clients from marching."""
    return min(most, least * 2.0 ** min(attempt, 30)) * rng.uniform(0.5, 1.0)


class TakeoverWatch:
    """Counts the signs that another process uses our client id."""

    def __init__(self) -> None:
        self._told: deque[int] = deque()
        self._early: deque[int] = deque()

    def told(self, now_ms: int) -> bool:
        """Note that the broker said so (MQTT 5 only); True when it is a fight."""
        return _over(self._told, now_ms, TOLD_LIMIT)

    def ended(self, now_ms: int, *, lived_ms: int) -> bool:
        """Note an end nobody asked for; True when it is suspicious (a broker may fail too)."""
        return lived_ms < EARLY_MS and _over(self._early, now_ms, EARLY_LIMIT)


def _over(times: deque[int], now_ms: int, limit: int) -> bool:
    times.append(now_ms)
    while times[0] < now_ms - MINUTE_MS:
        times.popleft()
    return len(times) > limit
