"""Sums by minute and hour as points, and back.

Fields are named as the columns of the Parquet archive. What follows from others is left out: a band in which
no time was spent, and a count that is that of all samples.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ingest.influx_lines import Column
from ingest.influx_tables import Found
from ingest.parquet_schema import BAND_NAMES, summary_names
from ingest.rollup import Ints, Rollup, Summary


def sum_columns(one: Rollup) -> list[Column]:
    """Give a rollup as columns of points."""
    made = [Column(name="samples", values=one.samples, whole=True)]
    for band, name in enumerate(BAND_NAMES):
        seconds = one.bands_s[:, band]
        made.append(Column(name=name, values=np.where(seconds == 0.0, np.nan, seconds)))
    for signal, summary in one.signals.items():
        low, mean, high, count = summary_names(signal)
        made += [
            Column(name=low, values=summary.low),
            Column(name=mean, values=summary.mean),
            Column(name=high, values=summary.high),
        ]
        told = (summary.count > 0) & (summary.count != one.samples)
        counts = np.where(told, summary.count.astype(np.float64), np.nan)
        made.append(Column(name=count, values=counts, whole=True))
    return made


def field_names(signals: Sequence[str]) -> list[str]:
    """Name the fields that a rollup of these signals needs."""
    own = [name for signal in signals for name in summary_names(signal)]
    return ["samples", *BAND_NAMES, *own]


def rollup_of(points: Found, step_ms: int, signals: Sequence[str]) -> Rollup:
    """Give points that ``sum_columns`` made as a rollup of these signals."""
    samples = points.column("samples").astype(np.int64)
    bands = [np.nan_to_num(points.column(name)) for name in BAND_NAMES]
    return Rollup(
        step_ms=step_ms,
        start_ms=points.times_ms,
        samples=samples,
        bands_s=np.stack(bands, axis=1),
        signals={name: _summary(points, name, samples) for name in signals},
    )


def _summary(points: Found, signal: str, samples: Ints) -> Summary:
    low, mean, high, count = (points.column(name) for name in summary_names(signal))
    usual = np.where(np.isnan(low), 0, samples)
    counts = np.where(np.isnan(count), usual, np.nan_to_num(count)).astype(np.int64)
    return Summary(low=low, mean=mean, high=high, count=counts)
