"""How fast something grows, and how sure that is: Theil's and Sen's slope."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

Z95 = 1.959963984540054
"""Two-sided 95 % point of the normal distribution (from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """The median of all slopes from one point to another, and between what it lies 95 times of 100."""

    low: float
    median: float
    high: float


def slope_of(times: Sequence[float], values: Sequence[float]) -> Slope:
    """Give the slope of values over times, all different (Sen, 1968: the interval by Kendall's variance)."""
    pairs = combinations(zip(times, values, strict=True), 2)
    slopes = sorted((v2 - v1) / (t2 - t1) for (t1, v1), (t2, v2) in pairs)
    count = len(times)
    spread = Z95 * math.sqrt(count * (count - 1) * (2 * count + 5) / 18.0)
    first = max(0, math.floor((len(slopes) - spread) / 2.0))
    last = min(len(slopes) - 1, math.ceil((len(slopes) + spread) / 2.0))
    return Slope(low=slopes[first], median=slopes[len(slopes) // 2], high=slopes[last])
