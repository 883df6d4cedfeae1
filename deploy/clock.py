"""The clock of the process: the real one, or for a demo one that runs faster.

Only ``deploy/`` reads it; everybody else is told the time.
"""

from __future__ import annotations

import time
from dataclasses import dataclass

from deploy.settings import Settings
from review.store import Clock

_UPTIME: int = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


def wall_ms() -> int:
    """Give the time of day [Unix ms]."""
    return time.time_ns() // 1_000_000


def uptime_ms() -> int:
    """Give a time that never jumps [ms] and goes on while the machine sleeps."""
    return time.clock_gettime_ns(_UPTIME) // 1_000_000


def monotonic_ms() -> int:
    """Give a time that never jumps [ms], for measuring spans."""
    return time.monotonic_ns() // 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaledClock:
    """A clock that read ``start_ms`` when the real one read ``anchor_ms`` and runs ``rate`` times as fast."""

    anchor_ms: int
    start_ms: int
    rate: float

    def __call__(self) -> int:
        """Give the scaled time [Unix ms]."""
        return self.start_ms + round((wall_ms() - self.anchor_ms) * self.rate)


def clock_of(settings: Settings) -> Clock:
    """Give the clock: the real one unless a demonstration asks for a faster."""
    section = settings.clock
    if section.start is None:
        return wall_ms
    anchor_ms = (
        wall_ms() if section.anchor is None else round(section.anchor.timestamp() * 1000)
    )
    return ScaledClock(
        anchor_ms=anchor_ms,
        start_ms=round(section.start.timestamp() * 1000),
        rate=section.rate,
    )
