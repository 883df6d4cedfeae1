"""The archives that there are, for the tests that hold for each of them; and months to keep in them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from ingest.archive import Archive, Contents, Month, canonical
from ingest.parquet_archive import ParquetArchive
from ingest.rollup import HOUR_MS, MINUTE_MS, rollup
from tests.recorded import climb, records

MAX_GAP_MS = 300_000
MONTH = Month(2026, 1)

ARCHIVES: Mapping[str, Callable[[Path], Archive]] = {"parquet": ParquetArchive}
"""What opens each kind of archive in an empty folder."""


def contents(
    samples: NDArray[Any] | None = None, *, vehicle: str = "NF-01", month: Month = MONTH
) -> Contents:
    """Give a truck's month as an archive is handed it."""
    if samples is None:
        samples = records(climb(180, start_ms=month.first_ms + 7_200_137))
    return Contents(
        vehicle=vehicle,
        month=month,
        samples=canonical(samples),
        rollups=[
            rollup(samples, step_ms=step_ms, max_gap_ms=MAX_GAP_MS)
            for step_ms in (MINUTE_MS, HOUR_MS)
        ],
        max_gap_ms=MAX_GAP_MS,
    )
