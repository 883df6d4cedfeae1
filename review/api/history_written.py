"""How samples and what they come to are written for the API."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from ingest.rollup import Rollup
from ingest.rollup import Summary as Kept
from models.sample import SIGNALS
from review.api.history_shapes import Bucket, Sample, Summary
from review.api.shape import known, moment

_AS = {"number": float, "integer": int, "boolean": bool}


def sample_shape(row: Any) -> Any:
    """Write one sample, a record ``SAMPLE``."""
    told = {
        each.name: None if math.isnan(row[each.name]) else _AS[each.kind](row[each.name])
        for each in SIGNALS
    }
    return Sample(at=moment(int(row["time_ms"])), **told)


def buckets(found: Rollup) -> Iterator[Bucket]:
    """Write the buckets of a rollup."""
    for row, start_ms in enumerate(found.start_ms):
        yield Bucket(
            start_at=moment(int(start_ms)),
            samples_count=int(found.samples[row]),
            seen_s=float(found.seen_s[row]),
            bands_s=[float(each) for each in found.bands_s[row]],
            signals=[_summary(name, each, row) for name, each in found.signals.items()],
        )


def _summary(name: str, kept: Kept, row: int) -> Summary:
    return Summary(
        name=name,
        low=known(kept.low[row]),
        mean=known(kept.mean[row]),
        high=known(kept.high[row]),
        samples_count=int(kept.count[row]),
    )
