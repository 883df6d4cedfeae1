"""What is asked of InfluxDB in Flux, and its answers as columns of numbers."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from pyarrow import csv as arrow_csv

from ingest.influx_lines import BEYOND, beyond_of
from ingest.influx_session import moment, quoted

_OWN = ("_start", "_stop", "_measurement")


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Points in order of time: fields that any of them has, NaN where a point has none."""

    times_ms: NDArray[np.int64]
    fields: Mapping[str, NDArray[np.float64]]

    def column(self, name: str) -> NDArray[np.float64]:
        """Give a field; one that no point has is NaN throughout."""
        found = self.fields.get(name)
        return np.full(len(self.times_ms), np.nan) if found is None else found


def flux(
    bucket: str,
    *,
    first_ms: int,
    end_ms: int,
    tags: Mapping[str, str],
    fields: Sequence[str] = (),
) -> str:
    """Ask for points by their time, from ``first_ms`` and before ``end_ms``, and by tags: a row for each.

    ``fields`` that are asked for, all if empty. The answer has a column for each field and each other tag.
    """
    wanted = " and ".join(f"r[{quoted(key)}] == {quoted(tags[key])}" for key in tags)
    if fields:
        named = " or ".join(f"r._field == {quoted(name)}" for name in fields)
        wanted += f" and ({named})"
    gone = dict.fromkeys((*_OWN, *tags))
    return (
        f"from(bucket: {quoted(bucket)})"
        f" |> range(start: {moment(first_ms)}, stop: {moment(end_ms)})"
        f" |> filter(fn: (r) => {wanted})"
        f" |> drop(columns: [{', '.join(map(quoted, gone))}])"
        ' |> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")'
    )


def found(answer: bytes) -> Found:
    """Read an answer as numbers, in order of time."""
    parts = [_part(part) for part in answer.split(b"\r\n\r\n") if part.strip()]
    times = np.concatenate([np.zeros(0, np.int64), *(part.times_ms for part in parts)])
    order = np.argsort(times, kind="stable")
    names = dict.fromkeys(name for part in parts for name in part.fields)
    return Found(
        times_ms=times[order],
        fields={
            name: np.concatenate([part.column(name) for part in parts])[order] for name in names
        },
    )


def rows(answer: bytes) -> Iterator[dict[str, str]]:
    """Read an answer as text, a row a point."""
    for part in answer.decode().split("\r\n\r\n"):
        yield from csv.DictReader(io.StringIO(part.lstrip("\r\n")))


def _part(part: bytes) -> Found:
    body = part.lstrip(b"\r\n")
    names = body.partition(b"\r\n")[0].decode().split(",")
    fields = [name for name in names if name not in ("", "result", "table", "_time")]
    types: dict[str, pa.DataType] = dict.fromkeys(fields, pa.float64())
    types |= {"_time": pa.timestamp("ns", tz="UTC")}
    if BEYOND in types:
        types[BEYOND] = pa.string()
    table = arrow_csv.read_csv(
        io.BytesIO(body),
        convert_options=arrow_csv.ConvertOptions(
            column_types=types, include_columns=["_time", *fields]
        ),
    )
    times = table.column("_time").cast(pa.int64()).to_numpy() // 1_000_000
    columns = {
        name: np.array(table.column(name).to_numpy(), np.float64)
        for name in fields
        if name != BEYOND
    }
    if BEYOND in fields:
        _put_beyond(columns, table.column(BEYOND).to_pylist())
    return Found(times_ms=times, fields=columns)


def _put_beyond(columns: dict[str, NDArray[Any]], told: Sequence[str | None]) -> None:
    for row, each in enumerate(told):
        for name, value in beyond_of(each or ""):
            columns.setdefault(name, np.full(len(told), np.nan))[row] = value
