"""What a commit adds to the figures: how long it took, how much was in it, how old its samples were.

In the committer's own thread and without a lock: an addition or two to an array. What the store or the
pipeline count already is not counted here a second time.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Sequence
from time import perf_counter

import numpy as np

from deploy.batch import Position
from ingest.message import Message


class Spread:
    """How values spread over given bounds: a Prometheus histogram, each value counted once.

    Parameters
    ----------
    bounds
        Upper bounds in order; what is above the last has a place of its own.
    """

    def __init__(self, bounds: Sequence[float]) -> None:
        self.bounds = tuple(bounds)
        self._edges = np.asarray(bounds)
        self._counts = [0] * (len(bounds) + 1)
        self.sum = 0.0

    def add(self, value: float) -> None:
        """Count one value."""
        self._counts[bisect_left(self.bounds, value)] += 1
        self.sum += value

    def add_all(self, values: Sequence[float]) -> None:
        """Count many at once."""
        places = np.searchsorted(self._edges, values)
        found = np.bincount(places, minlength=len(self._counts)).tolist()
        self._counts = [have + more for have, more in zip(self._counts, found, strict=True)]
        self.sum += float(np.sum(values))

    def buckets(self) -> list[tuple[str, float]]:
        """Give the bounds as Prometheus writes them, each with how many values do not exceed it."""
        below = np.cumsum(self._counts).tolist()
        names = [*(f"{bound:g}" for bound in self.bounds), "+Inf"]
        return [(name, float(count)) for name, count in zip(names, below, strict=True)]


class Tallies:
    """The spreads of the commits since the start."""

    def __init__(self) -> None:
        self.seconds = Spread((0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0))
        self.messages = Spread((1, 2, 5, 10, 20, 50, 100, 200, 500, 1000))
        self.lag_s = Spread((0.5, 1, 2, 5, 10, 30, 60, 300, 900, 3600, 21_600, 86_400, 604_800))

    def timed(
        self,
        commit: Callable[[Sequence[Message]], list[Position]],
        messages: Sequence[Message],
        now_ms: int,
    ) -> list[Position]:
        """Commit and count what came of it; a commit that fails is not counted."""
        begun = perf_counter()
        positions = commit(messages)
        self.seconds.add(perf_counter() - begun)
        self.messages.add(len(messages))
        if positions:
            self.lag_s.add_all([(now_ms - each.time_ms) / 1000.0 for each in positions])
        return positions
