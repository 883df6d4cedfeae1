"""Old months of the demo's invented past go into the archive: files by a process of its own, then their rows.

What the archive takes is known before it is taken in: so its files are made, made safe and read back beside
the intake, and only what counts is written in the end.
"""

from __future__ import annotations

import multiprocessing
import signal
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import replace
from multiprocessing.connection import Connection
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from numpy.typing import NDArray

from deploy.database import Database
from ingest import sealed
from ingest.archive import Contents, Month, canonical
from ingest.parquet_archive import ParquetArchive
from ingest.rollup import HOUR_MS, MINUTE_MS, between, rollup
from ingest.sealed import Sealed
from ingest.sealing import keep
from simulator.years.moments import END_MS

HOT_MS = 35 * 86_400_000
"""How long samples stay in the store [ms]: the default of ``[archive]``."""

FOLDER = "archive"

_Kept = tuple[str, Sealed]
"""A truck's name, and the row of a month of it that lies in the archive; its truck's number is still 0."""


class Sealing:
    """The sealing of whatever lies far enough back."""

    def __init__(
        self,
        store: Path,
        drives: Mapping[str, NDArray[Any]],
        *,
        first_ms: int,
        max_gap_ms: int,
    ) -> None:
        self._folder = store.parent / FOLDER
        self._drives = drives
        self._months = [
            month for month in months(first_ms, END_MS) if month.end_ms <= END_MS - HOT_MS
        ]
        self._max_gap_ms = max_gap_ms
        self._kept: Connection | None = None

    @contextmanager
    def begun(self) -> Iterator[None]:
        """Begin to make the files; whatever happens, nothing of it outlives this."""
        context = multiprocessing.get_context("spawn")
        self._kept, theirs = context.Pipe(duplex=False)
        with TemporaryDirectory(prefix="heatbook-years-") as given:
            # By files: a child that dies before it has read what is piped to it would hang us.
            for vehicle, samples in self._drives.items():
                np.save(Path(given) / vehicle, samples)
            process = context.Process(
                target=_keep_all,
                args=(Path(given), self._folder, self._months, self._max_gap_ms, theirs),
                daemon=True,
            )
            process.start()
            theirs.close()
            try:
                yield
            finally:
                process.terminate()
                process.join()

    def finish(self, database: Database) -> None:
        """Wait for the files; from then on they count, and the journal's rows of them go.

        Raises
        ------
        RuntimeError
            The process that makes them has ended early.
        """
        if self._kept is None:
            raise RuntimeError("nothing has begun")
        kept: list[_Kept] = []
        try:
            while (one := self._kept.recv()) is not None:
                kept.append(one)
        except EOFError as error:
            raise RuntimeError("the months could not be put into the archive") from error
        with database.write() as tx:
            sealed.place(tx, FOLDER)
            for vehicle, row in kept:
                _enroll(tx, vehicle, row)
        with closing(sqlite3.connect(database.path)) as conn:
            conn.execute("VACUUM")  # the rows that went leave their room behind


def months(first_ms: int, end_ms: int) -> list[Month]:
    """Give the months that have part in a span."""
    found = [Month.of(first_ms)]
    while found[-1].end_ms < end_ms:
        found.append(Month.of(found[-1].end_ms))
    return found


def _within(samples: NDArray[Any], month: Month) -> NDArray[Any]:
    first, end = np.searchsorted(samples["time_ms"], (month.first_ms, month.end_ms))
    return samples[first:end]


def _keep_all(
    given: Path, folder: Path, due: list[Month], max_gap_ms: int, told: Connection
) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # it is for whoever began this
    archive = ParquetArchive(folder)
    for file in sorted(given.glob("*.npy")):
        driven = np.load(file)
        for month in due:
            samples = _within(driven, month)
            if len(samples):
                contents = _contents(file.stem, month, samples, max_gap_ms)
                keep(archive, contents)
                told.send((file.stem, _row(contents)))
    told.send(None)


def _contents(vehicle: str, month: Month, samples: NDArray[Any], max_gap_ms: int) -> Contents:
    rollups = [
        between(
            rollup(samples, step_ms=step_ms, max_gap_ms=max_gap_ms),
            month.first_ms,
            month.end_ms,
        )
        for step_ms in (MINUTE_MS, HOUR_MS)
    ]
    return Contents(
        vehicle=vehicle,
        month=month,
        samples=canonical(samples),
        rollups=rollups,
        max_gap_ms=max_gap_ms,
    )


def _row(contents: Contents) -> Sealed:
    samples = contents.samples
    return Sealed(
        vehicle_id=0,
        month=str(contents.month),
        name=contents.name,
        digest=contents.digest,
        samples=len(samples),
        first_ms=int(samples["time_ms"][0]),
        last_ms=int(samples["time_ms"][-1]),
        max_gap_ms=contents.max_gap_ms,
        sealed_ms=END_MS,
    )


def _enroll(tx: sqlite3.Connection, vehicle: str, row: Sealed) -> None:
    (vehicle_id,) = tx.execute("SELECT id FROM vehicle WHERE name = ?", (vehicle,)).fetchone()
    sealed.enroll(tx, replace(row, vehicle_id=vehicle_id))
    month = Month.parse(row.month)
    tx.execute(
        "DELETE FROM journal WHERE vehicle_id = ? AND first_ms >= ? AND last_ms < ?",
        (vehicle_id, month.first_ms, month.end_ms),
    )
