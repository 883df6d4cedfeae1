"""The point that says of an archived month what it holds, and that it counts."""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ingest.archive import Contents, Month, canonical
from ingest.influx_lines import head, text
from ingest.rollup import HOUR_MS, MINUTE_MS, Rollup

MONTHS = "months"

SUMS: Final = {MINUTE_MS: "minutes", HOUR_MS: "hours"}
"""Measurements of the sums, by the length of their buckets [ms]."""

DAY_MS = 86_400_000

SCHEMA_VERSION = 1
"""Raised when a field changes its meaning; new fields do not raise it."""


@dataclass(frozen=True, slots=True)
class Day:
    """A day of UTC that has samples: when it begins [Unix ms], how many, and their check sum."""

    first_ms: int
    samples: int
    crc32: int

    def fits(self, samples: NDArray[Any]) -> bool:
        """Say whether these are the samples that were kept."""
        return len(samples) == self.samples and zlib.crc32(samples.tobytes()) == self.crc32


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """What is said of a month; without days it was never finished. ``sums``: how many of each there are."""

    counts: bool
    days: Sequence[Day]
    bytes: int
    sums: Mapping[str, int]

    @property
    def whole(self) -> bool:
        """Whether all of its samples were kept."""
        return bool(self.days)


def tags_of(name: str) -> dict[str, str]:
    """Give the tags of a month's points."""
    vehicle, _, month = name.removeprefix("vehicle=").rpartition("/")
    return {"vehicle": vehicle, "month": month}


def month_of(name: str) -> Month:
    """Give the month that a name is of."""
    return Month.parse(tags_of(name)["month"][:7])


def name_by(row: Mapping[str, str]) -> str:
    """Give the name of the month that a row of the answer is about."""
    return f"vehicle={row['vehicle']}/{row['month']}"


def mark_of(row: Mapping[str, str]) -> Mark:
    """Read a row of the answer."""
    months_days = (row.get("days") or "").split()
    sums = {name: int(row.get(name) or -1) for name in SUMS.values()}
    return Mark(
        counts=row.get("counts") == "true",
        days=[_day(each) for each in months_days],
        bytes=int(row.get("bytes") or 0),
        sums={name: rows for name, rows in sums.items() if rows >= 0},
    )


def begun(name: str) -> str:
    """Say that a month is being written: it does not count."""
    return _line(name, {"counts": "false"})


def summing(name: str) -> str:
    """Say that the sums of a month are being written."""
    return _line(name, dict.fromkeys(SUMS.values(), "-1i"))


def discarded(name: str) -> str:
    """Say that a month counts no longer."""
    return _line(name, {"counts": "false", **dict.fromkeys(SUMS.values(), "-1i")})


def finished(contents: Contents) -> str:
    """Say that a month is whole and counts."""
    samples = canonical(contents.samples)
    days = samples["time_ms"] // DAY_MS
    starts = np.flatnonzero(np.concatenate(([True], days[1:] != days[:-1])))
    parts = np.split(samples, starts[1:])
    told = " ".join(
        f"{int(part['time_ms'][0]) // DAY_MS}:{len(part)}:{zlib.crc32(part.tobytes()):08x}"
        for part in parts
    )
    sums = {SUMS[one.step_ms]: f"{len(one.start_ms)}i" for one in contents.rollups}
    return _line(
        contents.name,
        {
            "counts": "true",
            "schema": f"{SCHEMA_VERSION}i",
            "digest": text(contents.digest),
            "samples": f"{len(samples)}i",
            "first_ms": f"{int(samples['time_ms'][0])}i",
            "last_ms": f"{int(samples['time_ms'][-1])}i",
            "max_gap_ms": f"{contents.max_gap_ms}i",
            "bytes": f"{_bytes(samples, contents.rollups)}i",
            "days": text(told),
            **sums,
        },
    )


def spans_of(days: Sequence[Day], most_rows: int) -> list[tuple[int, int]]:
    """Give spans [Unix ms] of neighbouring days that hold no more rows, or are one day."""
    spans: list[tuple[int, int]] = []
    rows = 0
    for day in days:
        end_ms = day.first_ms + DAY_MS
        if spans and spans[-1][1] == day.first_ms and rows + day.samples <= most_rows:
            spans[-1] = (spans[-1][0], end_ms)
            rows += day.samples
        else:
            spans.append((day.first_ms, end_ms))
            rows = day.samples
    return spans


def _line(name: str, fields: Mapping[str, str]) -> str:
    told = ",".join(f"{key}={value}" for key, value in fields.items())
    return f"{head(MONTHS, tags_of(name))} {told} {month_of(name).first_ms}"


def _day(told: str) -> Day:
    number, samples, crc32 = told.split(":")
    return Day(int(number) * DAY_MS, int(samples), int(crc32, 16))


def _bytes(samples: NDArray[Any], rollups: Sequence[Rollup]) -> int:
    """Count eight bytes a number."""
    numbers = samples.view(np.int64).size
    for one in rollups:
        numbers += len(one.start_ms) * (2 + one.bands_s.shape[1] + 4 * len(one.signals))
    return 8 * numbers
