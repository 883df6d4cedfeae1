"""How much one caller may ask: a bucket that fills evenly, one for each name."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from threading import Lock

PER_S = 20.0
"""Requests a second that a caller may make for long [1/s]; own choice: a page of a wall screen makes one in
five seconds, and what reads a whole fleet truck by truck makes no more than it can use."""

AT_ONCE = 200.0
"""Requests that may come in one burst [-]; own choice."""

REMEMBERED = 1000
"""So many callers are kept in mind."""


@dataclass(slots=True)
class Pace:
    """Counts requests by caller."""

    per_s: float = PER_S
    at_once: float = AT_ONCE
    _left: dict[str, tuple[float, int]] = field(default_factory=dict)
    _lock: Lock = field(default_factory=Lock)

    def wait_s(self, caller: str, uptime_ms: int) -> int:
        """Count one request; give how long the caller has to wait before it is served [s], 0: not at all."""
        with self._lock:
            left, before_ms = self._left.pop(caller, (self.at_once, uptime_ms))
            filled = min(self.at_once, left + self.per_s * (uptime_ms - before_ms) / 1000.0)
            served = filled >= 1.0
            # Put back at the end: the first is the one longest unheard of.
            self._left[caller] = (filled - 1.0 if served else filled, uptime_ms)
            if len(self._left) > REMEMBERED:
                del self._left[next(iter(self._left))]
        return 0 if served else math.ceil((1.0 - filled) / self.per_s)
