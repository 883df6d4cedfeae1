"""The archive's months into a backup: as Parquet files, whatever the archive is made of.

A month's samples never change under their name, so a file that an earlier backup has is shared with it. The
sums beside them may be made anew: they are known by size and time too.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from deploy.backup import files
from deploy.backup.manifest import ARCHIVE, Manifest, Part
from ingest.archive import Archive, ArchiveError, Contents, Month, digest
from ingest.parquet_archive import ROLLUPS, SAMPLES, SUPERSEDED, ParquetArchive
from ingest.rollup import Rollup
from ingest.sealed import Sealed
from models.sample import SIGNAL_NAMES

KINDS = (SAMPLES, *ROLLUPS.values())

Earlier = tuple[Path, Manifest]
"""A backup that was made before, with its manifest."""


@dataclass(slots=True)
class Months:
    """The months that a backup has by now; ``problems`` says what could not be had."""

    archive: Archive
    folder: Path
    earlier: Sequence[Earlier]
    parts: dict[str, Part] = field(default_factory=dict)
    problems: dict[str, str] = field(default_factory=dict)
    copied: int = 0
    _known: dict[str, list[tuple[Path, Part]]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Look up what the earlier backups have, the newest first."""
        for folder, manifest in self.earlier:
            for part in manifest.parts:
                if part.path.startswith(f"{ARCHIVE}/"):
                    self._known.setdefault(part.path, []).append((folder / part.path, part))

    def need(self, found: Iterable[Sealed]) -> int:
        """Reckon how much room these months take that no earlier backup has [byte].

        Nothing where the archive is away: what cannot be had of it is told, and the store saved all the same.
        """
        fresh = (each.name for each in found if path_of(SAMPLES, each.name) not in self._known)
        try:
            return sum(self.archive.size(name) for name in fresh)
        except (OSError, ArchiveError):
            return 0

    def fetch(self, one: Sealed, vehicle: str) -> None:
        """Have a month, if it is not there yet; what is wrong with it is told, not raised."""
        if path_of(SAMPLES, one.name) in self.parts:
            return
        self.problems.pop(one.name, None)
        before = self.copied
        try:
            if isinstance(self.archive, ParquetArchive):
                self._files(self.archive.folder, one.name)
            elif not self._shared(one.name):
                self._written(self.archive, one, vehicle)
            if self.copied > before:  # what an earlier backup has was compared then
                self._compared_or_shared(one)
        except (OSError, ArchiveError) as error:
            self.problems[one.name] = str(error)

    def drop(self, name: str) -> None:
        """Let go of a month that the store does not count any more."""
        for kind in KINDS:
            if self.parts.pop(path_of(kind, name), None) is not None:
                (self.folder / path_of(kind, name)).unlink(missing_ok=True)

    @property
    def names(self) -> list[str]:
        """Name the months that are there."""
        lead = path_of(SAMPLES, "").removesuffix(".parquet")
        return [
            path.removeprefix(lead).removesuffix(".parquet")
            for path in self.parts
            if path.startswith(lead)
        ]

    def _files(self, root: Path, name: str) -> None:
        """Have the files of a month from an archive of Parquet files."""
        for kind in ROLLUPS.values():  # all of it follows from the samples: may be missing
            source = root / kind / f"{name}.parquet"
            if source.exists():
                self._file(source, path_of(kind, name))
        # A move may put it aside between two looks: it goes this way round, never back.
        for kind in (SAMPLES, SUPERSEDED):
            source = root / kind / f"{name}.parquet"
            try:
                self._file(source, path_of(SAMPLES, name))
            except FileNotFoundError:
                continue
            return
        if not self._shared(name):
            raise ArchiveError(
                f"the archive file {root / SAMPLES / name}.parquet is missing",
                "put it back from an earlier backup",
            )

    def _file(self, source: Path, path: str) -> None:
        stat = source.stat()
        for kept, part in self._known.get(path, ()):
            same = (part.bytes, part.mtime_ns) == (stat.st_size, stat.st_mtime_ns)
            if same and files.share(kept, self.folder, part):
                self.parts[path] = part
                return
        self.parts[path] = files.copy(source, self.folder, path)
        self.copied += path.startswith(path_of(SAMPLES, "").removesuffix(".parquet"))

    def _shared(self, name: str) -> bool:
        """Have a month from an earlier backup; it is known by its name alone."""
        for kind in KINDS:
            path = path_of(kind, name)
            for kept, part in self._known.get(path, ()):
                if files.share(kept, self.folder, part):
                    self.parts[path] = part
                    break
        return path_of(SAMPLES, name) in self.parts

    def _written(self, archive: Archive, one: Sealed, vehicle: str) -> None:
        """Write a month of another archive as Parquet files."""
        rollups = [archive.rollup(one.name, step_ms, SIGNAL_NAMES) for step_ms in ROLLUPS]
        contents = Contents(
            vehicle=vehicle,
            month=Month.parse(one.month),
            samples=archive.reread(one.name),
            rollups=[each for each in rollups if isinstance(each, Rollup)],
            max_gap_ms=one.max_gap_ms,
        )
        ParquetArchive(self.folder / ARCHIVE).keep(contents)
        for kind in KINDS:
            path = path_of(kind, one.name)
            if (self.folder / path).exists():
                self.parts[path] = files.part_of(self.folder, path)
        self.copied += 1

    def _compared_or_shared(self, one: Sealed) -> None:
        """Have the month as it was sealed: else from an earlier backup, else not at all.

        What is damaged must not stay: the next backup would share it, and take it for compared.
        """
        try:
            self._compared(one)
        except (OSError, ArchiveError):
            self.drop(one.name)
            if not self._shared(one.name):
                raise
            try:
                self._compared(one)
            except (OSError, ArchiveError):
                self.drop(one.name)
                raise

    def _compared(self, one: Sealed) -> None:
        """Compare a month with what the store says of it."""
        samples = ParquetArchive(self.folder / ARCHIVE).reread(one.name)
        if len(samples) != one.samples or digest(samples) != one.digest:
            raise ArchiveError(
                f"{one.name} is not in the archive as it was sealed",
                "'heatbook history verify' says more",
            )


def path_of(kind: str, name: str) -> str:
    """Name a file of a month within a backup."""
    return f"{ARCHIVE}/{kind}/{name}.parquet"
