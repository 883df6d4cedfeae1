"""Samples reduced for drawing: least, mean and greatest of every signal in buckets of the clock.

A reading of one sample is never lost: it is the least or the greatest of its bucket.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]

_MINUTE_MS, _HOUR_MS = 60_000, 3_600_000
BUCKETS_MS: tuple[int, ...] = (
    *(seconds * 1000 for seconds in (10, 30)),
    *(minutes * _MINUTE_MS for minutes in (1, 2, 5, 10, 15, 30)),
    *(hours * _HOUR_MS for hours in (1, 2, 3, 6, 12, 24)),
)
"""Widths of a bucket [ms]: from an hour on whole hours, from a minute on whole minutes, as the store has them
reduced already; none straddles a day of UTC."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cells:
    """One signal; arrays of shape (buckets,), not a number where it was absent.

    ``count``: how many of its readings are in the bucket.
    """

    low: Numbers
    mean: Numbers
    high: Numbers
    count: Numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class Reduced:
    """Buckets that hold at least one sample, in order; ``time_ms`` is where each begins [Unix ms].

    ``bucket_ms`` 0: every sample is there as it is, at its own time.
    """

    bucket_ms: int
    time_ms: NDArray[np.int64]
    signals: Mapping[str, Cells]

    @property
    def middle_ms(self) -> NDArray[np.int64]:
        """Give where each is drawn [Unix ms]."""
        return self.time_ms + self.bucket_ms // 2


def bucket_for(span_ms: int, points: int) -> int:
    """Give the narrowest bucket that needs no more than so many for a span [ms]."""
    fitting = (each for each in BUCKETS_MS if span_ms <= each * points)
    return next(fitting, BUCKETS_MS[-1])


def as_they_are(samples: NDArray[Any], names: Sequence[str]) -> Reduced:
    """Take every sample (records ``SAMPLE``, in order) for a bucket of its own."""
    signals = {}
    for name in names:
        values = np.asarray(samples[name], dtype=np.float64)
        count = np.isfinite(values).astype(np.float64)
        signals[name] = Cells(low=values, mean=values, high=values, count=count)
    return Reduced(bucket_ms=0, time_ms=samples["time_ms"].astype(np.int64), signals=signals)


def coarser(fine: Reduced, bucket_ms: int) -> Reduced:
    """Put buckets together into wider ones, each a whole number of them; samples as they are, too."""
    if len(fine.time_ms) == 0:
        return Reduced(bucket_ms=bucket_ms, time_ms=fine.time_ms, signals=fine.signals)
    places = fine.time_ms // bucket_ms
    starts = np.flatnonzero(np.diff(places, prepend=places[0] - 1))
    return Reduced(
        bucket_ms=bucket_ms,
        time_ms=places[starts] * bucket_ms,
        signals={name: _together(cells, starts) for name, cells in fine.signals.items()},
    )


def joined(parts: Sequence[Reduced]) -> Reduced:
    """Put spans that follow one another, reduced alike, into one."""
    return Reduced(
        bucket_ms=parts[0].bucket_ms,
        time_ms=np.concatenate([part.time_ms for part in parts]),
        signals={
            name: Cells(
                low=np.concatenate([part.signals[name].low for part in parts]),
                mean=np.concatenate([part.signals[name].mean for part in parts]),
                high=np.concatenate([part.signals[name].high for part in parts]),
                count=np.concatenate([part.signals[name].count for part in parts]),
            )
            for name in parts[0].signals
        },
    )


def _together(cells: Cells, starts: NDArray[np.int64]) -> Cells:
    count = np.add.reduceat(cells.count, starts)
    sums = np.add.reduceat(np.where(cells.count > 0, cells.mean * cells.count, 0.0), starts)
    mean = np.divide(sums, count, out=np.full(len(starts), np.nan), where=count > 0)
    return Cells(
        low=np.fmin.reduceat(cells.low, starts),
        mean=mean,
        high=np.fmax.reduceat(cells.high, starts),
        count=count,
    )
