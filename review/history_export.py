"""A truck's history as a file: CSV that spreadsheets open without harm, or Parquet; written part by part."""

from __future__ import annotations

import csv
import io
import math
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Any, BinaryIO, Literal

from numpy.typing import NDArray

from ingest.parquet_schema import (
    BAND_NAMES,
    SAMPLES,
    SCHEMA_VERSION,
    rollup_schema,
    rollup_table,
    samples_table,
    summary_names,
)
from ingest.rollup import Rollup
from models.sample import SIGNAL_NAMES, SIGNALS
from review import history
from review.history import Step

Detail = Literal["raw"] | Step
"""Every sample, or sums by the minute or the hour."""

SHEET_ROWS = 1_048_576
"""Rows that a sheet of the usual spreadsheets holds, its heading included."""

WINDOW_MS = 7 * 86_400_000
"""Sample time that is held in memory at once [ms]."""

_WHOLE = frozenset(signal.name for signal in SIGNALS if signal.kind != "number")
_MARK = b"\xef\xbb\xbf"

Piece = NDArray[Any] | Rollup


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What is to be exported: a truck from ``first_ms`` to ``last_ms``, both included [Unix ms]."""

    truck: str
    first_ms: int
    last_ms: int
    detail: Detail = "raw"
    max_gap_ms: int = history.MAX_GAP_MS


def csv_parts(
    conn: sqlite3.Connection, wanted: Wanted, zone: tzinfo, *, mark: bool = False
) -> Iterator[tuple[int, bytes]]:
    """Give the file as CSV (RFC 4180, UTF-8) part by part, each with its number of rows.

    Times are in UTC, and beside it as the clocks in ``zone`` show it, in a form that spreadsheets know.
    Every cell is a number or a time, so that none can be run as a formula. ``mark``: begin with the mark
    by which some spreadsheets know UTF-8.
    """
    yield 0, (_MARK if mark else b"") + _lines([_heading(wanted.detail)])
    for piece in _pieces(conn, wanted):
        columns = _columns(piece)
        times = piece.start_ms if isinstance(piece, Rollup) else piece["time_ms"]
        rows = zip(*_times(times.tolist(), zone), *columns, strict=True)
        yield len(times), _lines(rows)


def write_parquet(conn: sqlite3.Connection, wanted: Wanted, file: BinaryIO) -> int:
    """Write the file as Parquet, in the archive's own schema; give the number of rows."""
    import pyarrow.parquet as pq  # noqa: PLC0415 - slow, and rarely needed

    metadata = {
        "heatbook.schema": str(SCHEMA_VERSION),
        "heatbook.vehicle": wanted.truck,
        "heatbook.step": wanted.detail,
        "heatbook.max_gap_ms": str(wanted.max_gap_ms),
    }
    schema = SAMPLES if wanted.detail == "raw" else rollup_schema()
    rows = 0
    with pq.ParquetWriter(file, schema.with_metadata(metadata), compression="zstd") as writer:
        for piece in _pieces(conn, wanted):
            made = (
                rollup_table(piece, metadata)
                if isinstance(piece, Rollup)
                else samples_table(piece, metadata)
            )
            writer.write_table(made)
            rows += made.num_rows
    return rows


def _pieces(conn: sqlite3.Connection, wanted: Wanted) -> Iterator[Piece]:
    """Give what is wanted in order, a window of time after the other; empty windows are left out."""
    span = history.span(conn, wanted.truck)
    if span is None:
        return
    first_ms, last_ms = max(wanted.first_ms, span[0]), min(wanted.last_ms, span[1])
    while first_ms <= last_ms:
        wall_ms = min((first_ms // WINDOW_MS + 1) * WINDOW_MS - 1, last_ms)
        piece = _piece(conn, wanted, first_ms, wall_ms)
        if len(piece.start_ms if isinstance(piece, Rollup) else piece):
            yield piece
        first_ms = wall_ms + 1


def _piece(conn: sqlite3.Connection, wanted: Wanted, first_ms: int, last_ms: int) -> Piece:
    if wanted.detail == "raw":
        return history.samples(conn, wanted.truck, first_ms, last_ms)
    return history.rollup(
        conn,
        wanted.truck,
        first_ms,
        last_ms,
        step=wanted.detail,
        max_gap_ms=wanted.max_gap_ms,
    )


def _heading(detail: Detail) -> list[str]:
    times = ["time", "time_fleet"]
    if detail == "raw":
        return [*times, *SIGNAL_NAMES]
    summed = [name for signal in SIGNAL_NAMES for name in summary_names(signal)]
    return [*times, "samples", *BAND_NAMES, *summed]


def _columns(piece: Piece) -> list[list[str]]:
    if not isinstance(piece, Rollup):
        return [_cells(piece[name], whole=name in _WHOLE) for name in SIGNAL_NAMES]
    made = [_cells(piece.samples, whole=True)]
    made += [_cells(piece.bands_s[:, band], whole=False) for band in range(len(BAND_NAMES))]
    for one in piece.signals.values():
        made += [_cells(values, whole=False) for values in (one.low, one.mean, one.high)]
        made.append(_cells(one.count, whole=True))
    return made


def _cells(column: NDArray[Any], *, whole: bool) -> list[str]:
    """Write numbers so that reading them gives the same ones; what is absent is empty."""
    write = _whole if whole else repr
    return ["" if math.isnan(value) else write(value) for value in column.tolist()]


def _whole(value: float) -> str:
    return str(int(value)) if value == int(value) else repr(value)


def _times(times_ms: Sequence[int], zone: tzinfo) -> tuple[list[str], list[str]]:
    moments = [
        datetime.fromtimestamp(time_ms // 1000, UTC).replace(microsecond=time_ms % 1000 * 1000)
        for time_ms in times_ms
    ]
    exact: Mapping[bool, str] = {True: "milliseconds", False: "seconds"}
    return (
        [
            each.replace(tzinfo=None).isoformat(timespec=exact[bool(each.microsecond)]) + "Z"
            for each in moments
        ],
        [
            each.astimezone(zone)
            .replace(tzinfo=None)
            .isoformat(" ", timespec=exact[bool(each.microsecond)])
            for each in moments
        ],
    )


def _lines(rows: Iterable[Sequence[str]]) -> bytes:
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\r\n").writerows(rows)
    return text.getvalue().encode()
