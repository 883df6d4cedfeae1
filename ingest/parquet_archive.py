"""The archive as Parquet files, by truck and month: in a folder of its own, readable by anything."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from ingest.archive import ArchiveAway, ArchiveError, Contents
from ingest.codec import absent, join
from ingest.parquet_schema import (
    BAND_NAMES,
    SCHEMA_VERSION,
    rollup_of,
    rollup_table,
    samples_of,
    samples_table,
    summary_names,
)
from ingest.rollup import HOUR_MS, MINUTE_MS, Rollup

GROUP_ROWS = 16_384
"""Rows that are read at once. A run over history looks at six hours at a time: smaller groups mean less to
read for each look, larger ones smaller files."""

REMEMBERED_GROUPS = 8
"""Groups that are kept unpacked, 2 MB each."""

SAMPLES, SUPERSEDED = "samples", "superseded"

ROLLUPS = {MINUTE_MS: "minutes", HOUR_MS: "hours"}

_SUFFIX = ".parquet"
_UNFINISHED = ".unfinished"

_AWAY = frozenset(
    {
        errno.ESTALE,
        errno.ENOTCONN,
        errno.ETIMEDOUT,
        errno.EHOSTDOWN,
        errno.EHOSTUNREACH,
        errno.ENETDOWN,
        errno.ENETUNREACH,
        errno.ENODEV,
        errno.EMFILE,
        errno.ENFILE,
        errno.ENOMEM,
    }
)
"""What the system says of a share that is away, or of itself: nothing of the file."""

Stamp = tuple[int, int, int]


class ParquetArchive:
    """Months as Parquet files under a folder.

    ``samples/``, ``minutes/`` and ``hours/`` hold a file for each month by its name; a file is written
    beside its place, made safe, and then renamed, so that one that is there is whole.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._named = False  # whether the folder's own name is known to be safe

    @property
    def begun(self) -> bool:
        """Whether the folder of all months is there; with none, what it lies on may be away."""
        return (self.folder / SAMPLES).is_dir()

    def keep(self, contents: Contents) -> None:
        """Keep a month, see ``Archive``."""
        metadata = _metadata(contents)
        try:
            for one in contents.rollups:
                kind = ROLLUPS[one.step_ms]
                self._write(kind, contents.name, rollup_table(one, metadata))
            self._write(SAMPLES, contents.name, samples_table(contents.samples, metadata))
        except OSError as error:
            raise ArchiveError(
                f"cannot write {self._file(SAMPLES, contents.name)}: {error.strerror or error}",
                "make room there, or give the daemon's user the right to write",
            ) from error

    def read(self, name: str, first_ms: int, last_ms: int) -> NDArray[Any]:
        """Give samples of a month, see ``Archive``."""
        return self._taken(name, lambda path: _between(path, first_ms, last_ms))

    def reread(self, name: str) -> NDArray[Any]:
        """Give all samples of a month from the disk, see ``Archive``."""
        return self._taken(name, _from_disk)

    def rollup(self, name: str, step_ms: int, signals: Sequence[str]) -> Rollup | None:
        """Give what was summed up of a month, see ``Archive``."""
        columns = ["time", "samples", *BAND_NAMES]
        for signal in signals:
            columns += summary_names(signal)
        try:
            with _opened(self._file(ROLLUPS[step_ms], name)) as file:
                return rollup_of(file.read(columns=columns), step_ms, signals)
        except (OSError, pa.ArrowException, KeyError):
            return None  # all of it follows from the samples

    def size(self, name: str) -> int:
        """Tell how much room the files of a month take, see ``Archive``."""
        files = [self._file(kind, name) for kind in (SAMPLES, *ROLLUPS.values())]
        return sum(path.stat().st_size for path in files if path.exists())

    def discard(self, name: str) -> None:
        """Put a month aside until the next ``sweep``, see ``Archive``."""
        for kind in ROLLUPS.values():
            self._file(kind, name).unlink(missing_ok=True)
        aside = self._file(SUPERSEDED, name)
        aside.parent.mkdir(parents=True, exist_ok=True)
        try:
            self._file(SAMPLES, name).rename(aside)
        except FileNotFoundError:
            return
        _sync_folder(aside.parent)
        _sync_folder(self._file(SAMPLES, name).parent)

    def names(self) -> Iterable[str]:
        """Name every month that is kept, see ``Archive``."""
        root = self.folder / SAMPLES
        return sorted(
            path.relative_to(root).as_posix().removesuffix(_SUFFIX)
            for path in root.glob(f"vehicle=*/*{_SUFFIX}")
        )

    def sweep(self) -> None:
        """Remove what was put aside and what unfinished work has left, see ``Archive``."""
        for path in self.folder.glob(f"{SUPERSEDED}/vehicle=*/*{_SUFFIX}"):
            path.unlink(missing_ok=True)
        for path in self.folder.glob(f"*/vehicle=*/*{_UNFINISHED}"):
            path.unlink(missing_ok=True)
        for folder in self.folder.glob("*/vehicle=*"):
            with suppress(OSError):  # not empty
                folder.rmdir()

    def _file(self, kind: str, name: str) -> Path:
        return self.folder / kind / f"{name}{_SUFFIX}"

    def _write(self, kind: str, name: str, table: pa.Table) -> None:
        path = self._file(kind, name)
        self._make_folders(path.parent)
        unfinished = path.with_name(path.name + _UNFINISHED)
        with unfinished.open("wb") as file:
            pq.write_table(
                table,
                file,
                compression="zstd",
                row_group_size=GROUP_ROWS,
                write_page_checksum=True,
                sorting_columns=[pq.SortingColumn(0)],
            )
            file.flush()
            os.fsync(file.fileno())
        unfinished.rename(path)
        for folder in (path.parent, path.parent.parent, self.folder):
            _sync_folder(folder)

    def _make_folders(self, folder: Path) -> None:
        """Make a folder of the archive; the archive's own must outlive a power cut as its files do.

        Whoever made that one: it may have been there, and its name not yet be safe.
        """
        self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)  # nobody else's to read
        folder.mkdir(parents=True, exist_ok=True)
        if not self._named:
            _sync_folder(self.folder.parent)
            self._named = True

    def _taken(self, name: str, take: Callable[[Path], NDArray[Any]]) -> NDArray[Any]:
        """Take samples from a month's file; what befalls it is told with its name."""
        # A move may put it aside between two looks: it goes this way round, never back.
        own, aside = self._file(SAMPLES, name), self._file(SUPERSEDED, name)
        for path in (own, aside):
            try:
                return take(path)
            except FileNotFoundError:
                continue
            except PermissionError as error:
                raise ArchiveAway(
                    f"the archive file {path} cannot be read ({error.strerror})",
                    "give the daemon's user the right to read it",
                ) from error
            except (OSError, pa.ArrowException, KeyError, ValueError) as error:
                if isinstance(error, OSError) and error.errno in _AWAY:
                    raise ArchiveAway(
                        f"the archive file {path} cannot be reached ({error.strerror})",
                        "see that the disk or share it lies on is there",
                    ) from error
                raise ArchiveError(
                    f"the archive file {path} is damaged ({_first_line(error)})", _MEND
                ) from error
        if not self.begun:
            raise ArchiveAway(
                f"the archive file {own} is missing, and so are all others",
                "see that the disk or share it lies on is there, or put it back from a backup",
            )
        raise ArchiveError(f"the archive file {own} is missing", _MEND)


_MEND = "put it back from a backup; 'heatbook history verify' looks at all of them"


def _metadata(contents: Contents) -> dict[str, str]:
    samples = contents.samples
    return {
        "heatbook.schema": str(SCHEMA_VERSION),
        "heatbook.vehicle": contents.vehicle,
        "heatbook.month": str(contents.month),
        "heatbook.samples": str(len(samples)),
        "heatbook.sha256": contents.digest,
        "heatbook.first_ms": str(int(samples["time_ms"][0])),
        "heatbook.last_ms": str(int(samples["time_ms"][-1])),
        "heatbook.max_gap_ms": str(contents.max_gap_ms),
    }


@contextmanager
def _opened(path: Path) -> Iterator[pq.ParquetFile]:
    with path.open("rb") as source:
        yield pq.ParquetFile(source, page_checksum_verification=True)


def _stamp(path: Path) -> Stamp:
    """Tell whether a file is still the one that was read."""
    stat = path.stat()
    return stat.st_ino, stat.st_mtime_ns, stat.st_size


@lru_cache(maxsize=256)
def _bounds(path: Path, stamp: Stamp) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Give the first and last times of a file's groups [Unix ms]."""
    del stamp
    with _opened(path) as file:
        groups = [file.metadata.row_group(index) for index in range(file.num_row_groups)]
        told = [group.column(0).statistics for group in groups]
        firsts = np.array([each.min_raw for each in told], np.int64)
        return firsts, np.array([each.max_raw for each in told], np.int64)


@lru_cache(maxsize=REMEMBERED_GROUPS)
def _group(path: Path, stamp: Stamp, index: int) -> NDArray[Any]:
    """Give one group of a file; a run over history asks for it many times."""
    del stamp
    with _opened(path) as file:
        return samples_of(file.read_row_group(index))


def _between(path: Path, first_ms: int, last_ms: int) -> NDArray[Any]:
    """Read a span of a file, both ends included."""
    stamp = _stamp(path)
    firsts, lasts = _bounds(path, stamp)
    parts = []
    for index in np.flatnonzero((lasts >= first_ms) & (firsts <= last_ms)).tolist():
        group = _group(path, stamp, index)
        times = group["time_ms"]
        low = int(np.searchsorted(times, first_ms, side="left"))
        high = int(np.searchsorted(times, last_ms, side="right"))
        parts.append(group[low:high])
    return join(parts) if parts else absent(0)


def _from_disk(path: Path) -> NDArray[Any]:
    """Read a file whole, past what the system remembers of it."""
    _forget_pages(path)
    with _opened(path) as file:
        return samples_of(file.read())


def _forget_pages(path: Path) -> None:
    """Have what is read next come from the disk and not from memory, where the system can do that."""
    if not hasattr(os, "posix_fadvise"):
        return
    with path.open("rb") as file:
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _first_line(error: Exception) -> str:
    return str(error).partition("\n")[0] or type(error).__name__
