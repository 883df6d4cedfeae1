"""Columns of numbers as lines of InfluxDB's line protocol, and what cannot stand there as a number.

Written by ourselves, since that is several times as fast as the client's point by point; escaping is that of
the client, and ``tests/ingest/test_influx_lines.py`` holds both to the same text. Times are in milliseconds.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.sample import SIGNAL_NAMES

BEYOND = "beyond"
"""A field of text for what numbers cannot say: infinities by their signal, and a point without any."""

_KEY = str.maketrans(
    {",": r"\,", "=": r"\=", " ": r"\ ", "\n": r"\n", "\t": r"\t", "\r": r"\r"}
)
_TEXT = str.maketrans({'"': r"\"", "\\": r"\\"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A field by its name; NaN where a point has none. ``whole``: it is kept as an integer."""

    name: str
    values: NDArray[Any]
    whole: bool = False


def head(measurement: str, tags: Mapping[str, str]) -> str:
    """Give the beginning of a line: the measurement and its tags; a tag without a value is left out."""
    parts = [measurement.translate(_KEY).replace(r"\=", "=")]
    parts += [
        f"{key.translate(_KEY)}={_tag(value)}" for key, value in sorted(tags.items()) if value
    ]
    return ",".join(parts)


def text(value: str) -> str:
    """Write a field of text."""
    return f'"{value.translate(_TEXT)}"'


def sample_columns(samples: NDArray[Any]) -> list[Column]:
    """Give the signals of records ``SAMPLE`` as columns."""
    return [Column(name=name, values=samples[name]) for name in SIGNAL_NAMES]


def lines(
    heads: Sequence[str], times_ms: NDArray[np.int64], columns: Sequence[Column]
) -> list[str]:
    """Write a line for each time, in order; ``heads`` has one beginning for each, or one for all."""
    numbers = np.stack([np.asarray(each.values, np.float64) for each in columns], axis=1)
    there = np.isfinite(numbers)
    odd = np.isinf(numbers).any(axis=1) | ~there.any(axis=1)
    patterns, kinds = np.unique(np.packbits(there, axis=1), axis=0, return_inverse=True)
    made: list[str] = [""] * len(numbers)
    firsts = [heads[0]] * len(numbers) if len(heads) == 1 else heads
    for kind in range(len(patterns)):
        rows = np.flatnonzero(kinds.ravel() == kind)
        own = np.flatnonzero(there[rows[0]])
        form = ",".join(_form(columns[place]) for place in own.tolist())
        values = numbers[np.ix_(rows, own)].tolist()
        times = times_ms[rows].tolist()
        for row, value, time_ms in zip(rows.tolist(), values, times, strict=True):
            made[row] = f"{firsts[row]} {form % tuple(value)} {time_ms}"
    for row in np.flatnonzero(odd).tolist():
        made[row] = _with_beyond(firsts[row], columns, numbers[row], int(times_ms[row]))
    return made


def beyond_of(told: str) -> Iterable[tuple[str, float]]:
    """Read a ``beyond`` field: names and infinities."""
    for each in filter(None, told.split(" ")):
        name, _, value = each.partition("=")
        yield name, float(value)


def _form(column: Column) -> str:
    name = column.name.translate(_KEY)
    return f"{name}=%di" if column.whole else f"{name}=%r"


def _with_beyond(
    first: str, columns: Sequence[Column], numbers: NDArray[np.float64], time_ms: int
) -> str:
    pairs = list(zip(columns, numbers.tolist(), strict=True))
    fields = [_form(column) % value for column, value in pairs if math.isfinite(value)]
    far = " ".join(f"{column.name}={value}" for column, value in pairs if math.isinf(value))
    return f"{first} {','.join([*fields, f'{BEYOND}={text(far)}'])} {time_ms}"


def _tag(value: str) -> str:
    escaped = value.translate(_KEY)
    # A backslash at the end would escape what follows.
    return f"{escaped} " if escaped.endswith("\\") else escaped
