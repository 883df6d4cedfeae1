"""A wax-element valve: opening over temperature, with hysteresis and a lag."""

from __future__ import annotations

import math


class WaxValve:
    """The element follows the fluid with a first-order lag; the sleeve follows it with play.

    It opens along the stated line and closes along the same line ``hysteresis_k`` lower, as wax
    elements do (3 to 8 K, 10 to 60 s; common practice, no source).
    """

    __slots__ = ("element_c", "full_c", "hysteresis_k", "lag_s", "open_c", "opening")

    def __init__(
        self, *, open_c: float, full_c: float, hysteresis_k: float, lag_s: float, start_c: float
    ) -> None:
        if full_c <= open_c or hysteresis_k < 0.0 or lag_s <= 0.0:
            raise ValueError(f"no such valve: {open_c=} {full_c=} {hysteresis_k=} {lag_s=}")
        self.open_c = open_c
        self.full_c = full_c
        self.hysteresis_k = hysteresis_k
        self.lag_s = lag_s
        self.element_c = start_c
        self.opening = 0.0
        self.settle()

    def step(self, fluid_c: float, dt_s: float) -> float:
        """Move the element for ``dt_s`` at ``fluid_c`` and return the opening, 0 to 1."""
        self.element_c += (fluid_c - self.element_c) * (1.0 - math.exp(-dt_s / self.lag_s))
        return self.settle()

    def settle(self) -> float:
        """Bring the opening between the opening line and the closing line."""
        span = self.full_c - self.open_c
        rising = (self.element_c - self.open_c) / span
        falling = rising + self.hysteresis_k / span
        opening = min(max(self.opening, rising), falling)
        self.opening = min(max(opening, 0.0), 1.0)
        return self.opening
