"""What InfluxDB costs: ``HEATBOOK_TEST_INFLUX_URL=… python -m tests.bench.influx``; a server is needed.

Trucks that send ten signals every 10 s for 8 h a day, a month of one and an hour of many. Samples a second of
lines made, fed and archived; how long it takes to read an archived day and month, beside Parquet files.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest import journal
from ingest.archive import Archive
from ingest.codec import absent
from ingest.influx_archive import InfluxArchive
from ingest.influx_lines import head, lines, sample_columns
from ingest.parquet_archive import ParquetArchive
from models.sample import SIGNAL_NAMES
from tests.deploy.fed import Fed, by_access
from tests.influx import bucket, influx_access
from tests.ingest.archives import MONTH, contents
from tests.ingest.folded import newcomer

DAY_MS, HOUR_MS, STEP_MS = 86_400_000, 3_600_000, 10_000
SIGNALS = SIGNAL_NAMES[:10]
TRUCKS, ROWS = 100, 60


def driven(days: int, hours: float, start_ms: int) -> NDArray[Any]:
    """Give samples of some days, with values as sensors give them."""
    count = round(hours * HOUR_MS / STEP_MS)
    samples = absent(days * count)
    times = np.arange(count) * STEP_MS + np.arange(days)[:, None] * DAY_MS
    samples["time_ms"] = start_ms + times.ravel()
    chance = np.random.default_rng(7)
    for name in SIGNALS:
        samples[name] = np.round(90.0 + np.cumsum(chance.normal(0, 0.1, len(samples))), 2)
    return samples


def took(work: Callable[[], object]) -> float:
    """Give how long something takes [s]."""
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def worked(work: Callable[[], object]) -> tuple[float, float]:
    """Give how long something takes, and how much of a core this process has for it [s]."""
    began, began_cpu = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - began, time.process_time() - began_cpu


def told(what: str, figure: str) -> None:
    """Print a figure."""
    sys.stdout.write(f"{what:<58} {figure}\n")
    sys.stdout.flush()


def feeding(folder: Path) -> None:
    """Feed an hour of many trucks that came in messages of six samples."""
    with bucket() as (session, name):
        session.drop_bucket(name)
        fed = Fed(folder, by_access(session.access, name))
        hour = driven(1, 1.0, MONTH.first_ms)
        with fed.database.write() as tx:
            trucks = [newcomer(tx, f"NF-{each:03d}").vehicle_id for each in range(TRUCKS)]
            for part in np.split(hour, ROWS):
                for truck in trucks:
                    journal.append(tx, vehicle_id=truck, samples=part, received_ms=fed.now_ms)
        fed.feeder.once()
        already = fed.state.points
        taken_s, cpu_s = worked(lambda: [None for _ in iter(fed.feeder._send_rows, False)])
        points = fed.state.points - already
        told(
            "fed from the journal, messages of six samples",
            f"{points / taken_s:,.0f} samples/s ({points / cpu_s:,.0f} a second of our core)",
        )
        for each in (name, f"{name}-sums"):
            session.drop_bucket(each)
        fed.close()


def archived(what: str, archive: Archive, samples: NDArray[Any]) -> None:
    """Keep a truck's month and read it."""
    month = contents(samples)
    size = len(samples)
    kept_s = took(lambda: archive.keep(month))
    told(f"{what}: a month kept with its sums ({size:,} samples)", f"{kept_s:.1f} s")
    read_s = took(lambda: archive.reread(month.name))
    told(
        f"{what}: the month read and compared",
        f"{read_s:.2f} s, {size / read_s:,.0f} samples/s",
    )
    first_ms = int(samples["time_ms"][0]) + 9 * DAY_MS
    day_s = took(lambda: archive.read(month.name, first_ms, first_ms + 6 * HOUR_MS))
    told(f"{what}: six hours of it", f"{day_s * 1000:.0f} ms")
    next_s = took(lambda: archive.read(month.name, first_ms + HOUR_MS, first_ms + 7 * HOUR_MS))
    told(f"{what}: the next ones, of the same day", f"{next_s * 1000:.1f} ms")
    sums_s = took(lambda: archive.rollup(month.name, HOUR_MS, ("fluid_temp_c",)))
    told(f"{what}: a month's sums by the hour, one signal", f"{sums_s * 1000:.0f} ms")


def main() -> int:
    """Measure."""
    if influx_access() is None:
        sys.stderr.write("no InfluxDB: name one by HEATBOOK_TEST_INFLUX_URL, _TOKEN, _ORG\n")
        return 2
    samples = driven(31, 8.0, MONTH.first_ms + 6 * HOUR_MS)
    first = [head("samples", {"vehicle": "NF-01"})]
    columns = sample_columns(samples)
    made_s, cpu_s = worked(lambda: lines(first, samples["time_ms"], columns))
    told("load average of this machine, one minute", f"{os.getloadavg()[0]:.1f}")
    told(
        "lines made of columns, ten signals",
        f"{len(samples) / made_s:,.0f} samples/s ({len(samples) / cpu_s:,.0f} a second of a core)",
    )
    with TemporaryDirectory() as folder:
        feeding(Path(folder))
        with bucket() as (session, name):
            archived("InfluxDB", InfluxArchive(session, name), samples)
        archived("Parquet", ParquetArchive(Path(folder) / "archive"), samples)
    return 0


if __name__ == "__main__":
    sys.exit(main())
