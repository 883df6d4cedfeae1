"""Samples and rollups as Parquet tables: the open schema of the archive, see README.md."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from ingest.codec import absent
from ingest.rollup import BANDS, EDGES_C, Rollup, Summary
from models.sample import SIGNAL_NAMES, SIGNALS

SCHEMA_VERSION = 1
"""Raised when a column changes its meaning; new columns do not raise it."""

SUMMARIES = ("min", "mean", "max", "count")

BAND_NAMES = (
    f"fluid_s_below_{EDGES_C[0]:.0f}_c",
    *(f"fluid_s_{low:.0f}_to_{high:.0f}_c" for low, high in pairwise(EDGES_C)),
    f"fluid_s_from_{EDGES_C[-1]:.0f}_c",
)
"""Columns of the time in each temperature band [s]."""

_TIME = pa.field("time", pa.timestamp("ms", tz="UTC"), nullable=False)

SAMPLES = pa.schema(
    [
        _TIME,
        *(
            pa.field(
                each.name, pa.float64(), metadata={"unit": each.unit, "meaning": each.meaning}
            )
            for each in SIGNALS
        ),
    ]
)


def summary_names(signal: str) -> tuple[str, ...]:
    """Name the columns of one signal in a rollup."""
    return tuple(f"{signal}_{what}" for what in SUMMARIES)


def _summary_fields(signal: str) -> list[pa.Field]:
    *values, count = summary_names(signal)
    return [*(pa.field(name, pa.float64()) for name in values), pa.field(count, pa.int64())]


def rollup_schema(signals: Sequence[str] = SIGNAL_NAMES) -> pa.Schema:
    """Give the columns of a rollup of these signals."""
    fields = [_TIME, pa.field("samples", pa.int64())]
    fields += [pa.field(name, pa.float64()) for name in BAND_NAMES]
    for name in signals:
        fields += _summary_fields(name)
    return pa.schema(fields)


def samples_table(samples: NDArray[Any], metadata: Mapping[str, str]) -> pa.Table:
    """Give records ``SAMPLE`` as a table; what is absent is null."""
    columns = [_times(samples["time_ms"])]
    columns += [_numbers(samples[name]) for name in SIGNAL_NAMES]
    return pa.Table.from_arrays(columns, schema=SAMPLES.with_metadata(dict(metadata)))


def samples_of(table: pa.Table) -> NDArray[Any]:
    """Give a table that ``samples_table`` made as records; a signal it has no column for is absent."""
    samples = absent(table.num_rows)
    samples["time_ms"] = _integers(table.column("time"))
    for name in SIGNAL_NAMES:
        if name in table.column_names:
            samples[name] = _floats(table.column(name))
    return samples


def rollup_table(one: Rollup, metadata: Mapping[str, str]) -> pa.Table:
    """Give a rollup as a table."""
    columns = [_times(one.start_ms), pa.array(one.samples)]
    columns += [pa.array(one.bands_s[:, band]) for band in range(BANDS)]
    for each in one.signals.values():
        columns += [_numbers(each.low), _numbers(each.mean), _numbers(each.high)]
        columns.append(pa.array(each.count))
    schema = rollup_schema(tuple(one.signals)).with_metadata(dict(metadata))
    return pa.Table.from_arrays(columns, schema=schema)


def rollup_of(table: pa.Table, step_ms: int, signals: Sequence[str]) -> Rollup:
    """Give a table that ``rollup_table`` made as a rollup of these signals."""
    bands = [_floats(table.column(name)) for name in BAND_NAMES]
    return Rollup(
        step_ms=step_ms,
        start_ms=_integers(table.column("time")),
        samples=_integers(table.column("samples")),
        bands_s=np.stack(bands, axis=1),
        signals={name: _summary(table, name) for name in signals},
    )


def _summary(table: pa.Table, signal: str) -> Summary:
    low, mean, high, count = (table.column(name) for name in summary_names(signal))
    return Summary(
        low=_floats(low), mean=_floats(mean), high=_floats(high), count=_integers(count)
    )


def _times(time_ms: NDArray[np.int64]) -> pa.Array:
    return pa.array(np.ascontiguousarray(time_ms)).cast(_TIME.type)


def _numbers(column: NDArray[np.float64]) -> pa.Array:
    return pa.array(np.ascontiguousarray(column), mask=np.isnan(column))


def _integers(column: pa.ChunkedArray) -> NDArray[np.int64]:
    found: NDArray[np.int64] = column.cast(pa.int64()).to_numpy()
    return found


def _floats(column: pa.ChunkedArray) -> NDArray[np.float64]:
    found: NDArray[np.float64] = column.to_numpy()
    return found
