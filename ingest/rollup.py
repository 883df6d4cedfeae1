"""Samples summed up by the minute and by the hour: least, mean and greatest, and time in temperature bands.

The mean is that of the samples in a bucket, with their count beside it, so that means of longer spans follow
exactly. Time in a band is that between two readings of the fluid that are close enough to count as seen, by
the account's own rule (1/T runs straight between them); it is cut where a bucket ends. Nothing is made up
for what was not seen: a bucket without samples is there only where such a span crosses it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.sample import SIGNAL_NAMES
from models.units import ZERO_CELSIUS_K

EDGES_C = (60.0, 80.0, 90.0, 100.0, 110.0, 120.0, 130.0, 140.0)
"""Edges of the temperature bands [°C], each an edge of the account's 2 K bins. Own choice; by the trade's
rule of thumb heat that is 10 K higher ages the fluid nearly twice as fast."""

BANDS = len(EDGES_C) + 1
"""Number of bands [-]: below the first edge, between each two, from the last on."""

MINUTE_MS = 60_000
HOUR_MS = 3_600_000

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """One signal by bucket: NaN, and a count of 0, where it was absent."""

    low: Floats
    mean: Floats
    high: Floats
    count: Ints


@dataclass(frozen=True, slots=True, kw_only=True)
class Rollup:
    """Buckets of ``step_ms``, by their start [Unix ms], rising; what was not seen has none.

    ``bands_s``: seconds that the fluid spent in each band [s], shape (n, ``BANDS``). A bucket of 0
    samples lies between two readings that belong together, closer than a gap.
    """

    step_ms: int
    start_ms: Ints
    samples: Ints
    bands_s: Floats
    signals: Mapping[str, Summary]

    @property
    def seen_s(self) -> Floats:
        """Seconds of each bucket in which the fluid's temperature is known [s]."""
        found: Floats = self.bands_s.sum(axis=1)
        return found


def rollup(
    samples: NDArray[Any],
    *,
    step_ms: int,
    max_gap_ms: int,
    signals: Sequence[str] = SIGNAL_NAMES,
) -> Rollup:
    """Sum up records ``SAMPLE`` that are in order, no two with one time."""
    buckets = samples["time_ms"] // step_ms
    starts = _starts(buckets)
    own = buckets[starts]
    places, seconds, bands = _time_in_bands(samples, step_ms, max_gap_ms)
    every = np.union1d(own, places)
    counts = np.zeros(len(every), np.int64)
    rows = np.searchsorted(every, own)
    counts[rows] = np.diff(np.append(starts, len(samples)))
    cells = np.searchsorted(every, places) * BANDS + bands
    bands_s = np.bincount(cells, weights=seconds, minlength=len(every) * BANDS)
    return Rollup(
        step_ms=step_ms,
        start_ms=every * step_ms,
        samples=counts,
        bands_s=bands_s.astype(np.float64).reshape(-1, BANDS),
        signals={name: _summary(samples[name], starts, rows, len(every)) for name in signals},
    )


def between(one: Rollup, first_ms: int, end_ms: int) -> Rollup:
    """Give the buckets that begin from ``first_ms`` on and before ``end_ms``."""
    low, high = np.searchsorted(one.start_ms, (first_ms, end_ms))
    keep = slice(int(low), int(high))
    return Rollup(
        step_ms=one.step_ms,
        start_ms=one.start_ms[keep],
        samples=one.samples[keep],
        bands_s=one.bands_s[keep],
        signals={name: _cut(each, keep) for name, each in one.signals.items()},
    )


def joined(parts: Sequence[Rollup]) -> Rollup:
    """Put rollups of one step and the same signals behind each other, in order, at least one."""
    return Rollup(
        step_ms=parts[0].step_ms,
        start_ms=np.concatenate([part.start_ms for part in parts]),
        samples=np.concatenate([part.samples for part in parts]),
        bands_s=np.concatenate([part.bands_s for part in parts]),
        signals={
            name: Summary(
                low=np.concatenate([part.signals[name].low for part in parts]),
                mean=np.concatenate([part.signals[name].mean for part in parts]),
                high=np.concatenate([part.signals[name].high for part in parts]),
                count=np.concatenate([part.signals[name].count for part in parts]),
            )
            for name in parts[0].signals
        },
    )


def _cut(one: Summary, keep: slice) -> Summary:
    return Summary(
        low=one.low[keep], mean=one.mean[keep], high=one.high[keep], count=one.count[keep]
    )


def _starts(buckets: Ints) -> Ints:
    """Give where in the samples each bucket begins."""
    if len(buckets) == 0:
        return np.zeros(0, np.int64)
    found: Ints = np.flatnonzero(np.concatenate(([True], buckets[1:] != buckets[:-1])))
    return found


def _summary(column: Floats, starts: Ints, rows: Ints, size: int) -> Summary:
    low, mean, high = (np.full(size, np.nan) for _ in range(3))
    count = np.zeros(size, np.int64)
    if len(starts):
        there = ~np.isnan(column)
        low[rows] = np.fmin.reduceat(column, starts)
        high[rows] = np.fmax.reduceat(column, starts)
        own = np.add.reduceat(there.astype(np.int64), starts)
        sums = np.add.reduceat(np.where(there, column, 0.0), starts)
        mean[rows] = np.divide(sums, own, out=np.full(len(own), np.nan), where=own > 0)
        count[rows] = own
    return Summary(low=low, mean=mean, high=high, count=count)


def _time_in_bands(
    samples: NDArray[Any], step_ms: int, max_gap_ms: int
) -> tuple[Ints, Floats, Ints]:
    """Give bucket, length [s] and band of every piece between two readings of the fluid."""
    read = ~np.isnan(samples["fluid_temp_c"])
    times, celsius = samples["time_ms"][read], samples["fluid_temp_c"][read]
    seen = np.flatnonzero(np.diff(times) <= max_gap_ms)
    from_ms, to_ms = times[seen], times[seen + 1]
    inverse = 1.0 / (celsius + ZERO_CELSIUS_K)
    first = from_ms // step_ms
    # A span that ends where a bucket begins has no piece in it.
    pieces = (to_ms - 1) // step_ms - first + 1
    pair = np.repeat(np.arange(len(seen)), pieces)
    bucket = first[pair] + np.arange(len(pair)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    start_ms = np.maximum(from_ms[pair], bucket * step_ms)
    end_ms = np.minimum(to_ms[pair], (bucket + 1) * step_ms)
    at_first, at_last = inverse[seen][pair], inverse[seen + 1][pair]
    slope = (at_last - at_first) / (to_ms - from_ms)[pair]
    begin = at_first + slope * (start_ms - from_ms[pair])
    end = np.where(end_ms == to_ms[pair], at_last, at_first + slope * (end_ms - from_ms[pair]))
    return _cut_by_bands(bucket, (end_ms - start_ms) / 1000.0, begin, end)


def _cut_by_bands(
    bucket: Ints, seconds: Floats, begin: Floats, end: Floats
) -> tuple[Ints, Floats, Ints]:
    """Cut pieces, along which 1/T runs straight from ``begin`` to ``end`` [1/K], where a band ends."""
    edges = 1.0 / (np.array(EDGES_C) + ZERO_CELSIUS_K)
    low, high = np.minimum(begin, end), np.maximum(begin, end)
    hot, cold = _band(low, edges), _band(high, edges)
    whole = hot == cold
    buckets, lengths, bands = [bucket[whole]], [seconds[whole]], [hot[whole]]
    cut = ~whole
    walls = np.concatenate(([np.inf], edges, [0.0]))
    pace = seconds[cut] / (high - low)[cut]
    for band in range(BANDS):
        inside = np.minimum(high[cut], walls[band]) - np.maximum(low[cut], walls[band + 1])
        there = inside > 0.0
        buckets.append(bucket[cut][there])
        lengths.append((pace * inside)[there])
        bands.append(np.full(int(there.sum()), band))
    return np.concatenate(buckets), np.concatenate(lengths), np.concatenate(bands)


def _band(inverse: Floats, edges: Floats) -> Ints:
    """Give the band of each 1/T [1/K]; an edge belongs to the hotter one."""
    return len(edges) - np.searchsorted(edges[::-1], inverse, side="left")
