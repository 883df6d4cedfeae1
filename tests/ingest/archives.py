"""The archives that there are, for the tests that hold for each of them; and months to keep in them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from ingest.archive import Archive, Contents, Month, canonical
from ingest.influx_archive import InfluxArchive
from ingest.parquet_archive import ParquetArchive
from ingest.rollup import HOUR_MS, MINUTE_MS, rollup
from tests.influx import bucket
from tests.recorded import climb, records

MAX_GAP_MS = 300_000
MONTH = Month(2026, 1)


@contextmanager
def _parquet(folder: Path) -> Iterator[Archive]:
    yield ParquetArchive(folder)


@contextmanager
def _influx(folder: Path) -> Iterator[Archive]:
    del folder
    with bucket() as (session, name):
        yield InfluxArchive(session, name)


ARCHIVES: Mapping[str, Callable[[Path], AbstractContextManager[Archive]]] = {
    "parquet": _parquet,
    "influx": _influx,
}
"""What opens each kind of archive, empty; the folder is for who needs one."""


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
