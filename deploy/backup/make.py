"""Making a backup: months first, then the store at one moment, then what it names beyond them.

All lies in a folder with another name until it is safe and whole; whatever befalls it before, nothing that
looks like a backup is left.
"""

from __future__ import annotations

import fcntl
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path

import msgspec

from alerts.phrases import size_words
from deploy.backup import files, manifest
from deploy.backup.identity import identity
from deploy.backup.manifest import ARCHIVE, FORMAT, STORE, BackupError, Counts, Manifest, Part
from deploy.backup.months import Months
from deploy.backup.rotation import LEAD, UNFINISHED, backups_in
from deploy.backup.settings_copy import copy_settings
from deploy.backup.snapshot import snapshot
from deploy.database import behind, read_only
from deploy.settings import Loaded
from ingest.archive import Archive
from ingest.sealed import PARQUET, Sealed, archive_of, months, move_place
from models.units import rfc3339
from review.model_version import model_version
from review.store import Clock

TRIES = 3
"""So often the store is copied anew when months that it names went meanwhile."""

SPARE = 1.05
"""How much more room there must be than the backup is reckoned to take."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A backup that is whole: where, what it says of itself, and what it took room for [byte]."""

    folder: Path
    manifest: Manifest
    new_bytes: int
    new_months: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Maker:
    """Makes backups into a folder.

    ``afresh``: shares nothing with earlier ones. ``beside_store``: may lie below the store's own folder.
    """

    loaded: Loaded
    into: Path
    now_ms: Clock
    afresh: bool = False
    beside_store: bool = False
    store: Path = field(init=False)

    def __post_init__(self) -> None:
        """Take the store from the settings."""
        object.__setattr__(self, "store", self.loaded.settings.store.path)

    def make(self) -> Made:
        """Make one backup.

        Raises
        ------
        BackupError
            It cannot be made there; nothing that looks like a backup is left.
        deploy.database.StoreError
            There is no store.
        """
        with read_only(self.store) as conn:
            if behind(conn):
                raise BackupError(
                    f"the store {self.store} is of an earlier Heatbook; start this one once: it copies the "
                    "store first and brings it forward"
                )
            ours = identity(conn)
            archive = archive_of(conn) if _sealed(conn) else None
        self._fit()
        with self._alone():
            earlier = [each for each in backups_in(self.into) if each[1].store == ours]
            unfinished = self.into / f"{UNFINISHED}{LEAD}{ours}"
            unfinished.mkdir(mode=0o700)
            try:
                return self._whole(unfinished, archive, earlier)
            except OSError as error:
                raise BackupError(
                    f"the backup cannot be written to {self.into} ({error.strerror or error}); make room "
                    "there, or give this user the right to write"
                ) from error
            finally:
                shutil.rmtree(unfinished, ignore_errors=True)

    def _whole(
        self,
        unfinished: Path,
        archive: Archive | None,
        earlier: list[tuple[Path, Manifest]],
    ) -> Made:
        shared = [] if self.afresh else earlier
        kept = None if archive is None else Months(archive, unfinished, shared)
        if kept is not None:
            with read_only(self.store) as conn:
                known = _sealed(conn)
            self._room(kept.need(one for one, _ in known))
            for one, vehicle in known:
                kept.fetch(one, vehicle)
        as_of_ms = self._store_and_months(unfinished, kept)
        parts = [files.part_of(unfinished, STORE)]
        parts += [] if kept is None else kept.parts.values()
        settings, left_out = copy_settings(self.loaded, unfinished)
        problems = [] if kept is None else sorted(kept.problems.values())
        told = self._manifest(unfinished, as_of_ms, [*parts, *settings], left_out, problems)
        number = 1 + max((each.number for _, each in earlier), default=0)
        told = msgspec.structs.replace(told, number=number)
        manifest.write(unfinished, told)
        _make_safe(unfinished)
        folder = self._name(as_of_ms)
        unfinished.rename(folder)
        files.sync(self.into)
        return Made(
            folder=folder,
            manifest=told,
            new_bytes=_own_bytes(folder),
            new_months=0 if kept is None else kept.copied,
        )

    def _store_and_months(self, unfinished: Path, kept: Months | None) -> int:
        """Copy the store, and the months that it names; one of those that went meanwhile: once more."""
        target = unfinished / STORE
        as_of_ms = 0
        for _ in range(TRIES):
            target.unlink(missing_ok=True)
            as_of_ms = self.now_ms()
            snapshot(self.store, target)
            with closing(sqlite3.connect(target, isolation_level=None)) as copy:
                _sound(copy)
                named = {one.name: (one, vehicle) for one, vehicle in _sealed(copy)}
                if named or kept is not None:
                    move_place(copy, ARCHIVE, kind=PARQUET)
            if kept is None and named:  # sealed for the first time meanwhile
                with read_only(self.store) as conn:
                    kept = Months(archive_of(conn), unfinished, ())
            if kept is None:
                return as_of_ms
            for name in {*kept.names, *kept.problems} - named.keys():
                kept.drop(name)
                kept.problems.pop(name, None)
            for one, vehicle in named.values():
                kept.fetch(one, vehicle)
            if not kept.problems:
                break
        return as_of_ms

    def _manifest(
        self,
        unfinished: Path,
        as_of_ms: int,
        parts: list[Part],
        left_out: list[str],
        problems: list[str],
    ) -> Manifest:
        with read_only(self.store) as conn:
            where = conn.execute("SELECT kind, place FROM archive_place").fetchone()
        with closing(sqlite3.connect(unfinished / STORE)) as copy:
            return Manifest(
                format=FORMAT,
                number=1,
                heatbook=version("heatbook"),
                models=model_version(),
                store=identity(copy),
                as_of_ms=as_of_ms,
                as_of=rfc3339(as_of_ms),
                schema=schema_of(copy),
                archive="none" if where is None else f"{where[0]} {where[1]}",
                counts=_counts(copy),
                parts=sorted(parts, key=lambda part: part.path),
                left_out=left_out,
                problems=problems,
            )

    def _fit(self) -> None:
        """Refuse a folder that is the store's own, or has no room."""
        own = self.store.parent.resolve()
        into = self.into.resolve()
        archive = (self.store.parent / self.loaded.settings.archive.folder).resolve()
        if into.is_relative_to(archive):
            raise BackupError(
                f"{self.into} lies in the archive; name a folder outside of it, best on another disk"
            )
        if into.is_relative_to(own) and not self.beside_store:
            raise BackupError(
                f"{self.into} lies in the store's own folder {own}, and would be lost with it; name a folder "
                "on another disk, or say --beside-store"
            )
        try:
            self.into.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise BackupError(
                f"cannot make the folder {self.into} ({error.strerror}); name another"
            ) from error
        self._room(0)

    def _room(self, months: int) -> None:
        """Refuse a disk that is too small for the store and ``months`` [byte]."""
        need = round(SPARE * (self.store.stat().st_size + months))
        free = shutil.disk_usage(self.into).free
        if free < need:
            raise BackupError(
                f"{self.into} has {size_words(free)} left and the backup needs some {size_words(need)}; "
                "make room, keep fewer backups (--keep), or name another folder"
            )

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """Be the only one who makes a backup there; what one that died has left goes."""
        try:
            lock = (self.into / ".heatbook.lock").open("ab")
        except OSError as error:
            raise BackupError(
                f"cannot write to {self.into} ({error.strerror}); give this user the right to"
            ) from error
        with lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as error:
                raise BackupError(
                    f"another backup is being made in {self.into}; wait for it"
                ) from error
            for left in self.into.glob(f"{UNFINISHED}{LEAD}*"):
                shutil.rmtree(left)
            yield

    def _name(self, as_of_ms: int) -> Path:
        stamp = rfc3339(as_of_ms).replace(":", "-")
        taken = 1
        while (
            folder := self.into / f"{LEAD}{stamp}{f'-{taken}' if taken > 1 else ''}"
        ).exists():
            taken += 1
        return folder


def schema_of(conn: sqlite3.Connection) -> dict[str, int]:
    """Count the steps of each package that a store has taken."""
    rows = conn.execute("SELECT package, count(*) FROM schema_step GROUP BY package")
    return dict(rows.fetchall())


def _sound(copy: sqlite3.Connection) -> None:
    """Look whether the copy of the store is sound."""
    (found,) = copy.execute("PRAGMA quick_check(1)").fetchone()
    if found != "ok":
        raise BackupError(
            f"the store is damaged ({found}); keep the backups of before, 'heatbook check' looks at it"
        )


def _sealed(conn: sqlite3.Connection) -> list[tuple[Sealed, str]]:
    """Give every sealed month with the name of its truck."""
    trucks = conn.execute("SELECT id, name FROM vehicle ORDER BY name").fetchall()
    return [(one, name) for key, name in trucks for one in months(conn, vehicle_id=key)]


def _counts(copy: sqlite3.Connection) -> Counts:
    def count(what: str) -> int:
        return int(copy.execute(f"SELECT {what}").fetchone()[0])

    return Counts(
        trucks=count("count(*) FROM vehicle"),
        months=count("count(*) FROM sealed"),
        sealed_samples=count("coalesce(sum(samples), 0) FROM sealed"),
        journal_rows=count("count(*) FROM journal"),
        entries=count("count(*) FROM service_entry"),
        alarms=count("count(*) FROM alarm"),
    )


def _make_safe(folder: Path) -> None:
    for path in folder.rglob("*"):
        if path.is_file() and path.stat().st_nlink == 1:
            files.sync(path)
    files.sync_tree(folder)


def _own_bytes(folder: Path) -> int:
    """Give the size of the files that only this backup has [byte]."""
    stats = [path.stat() for path in folder.rglob("*") if path.is_file()]
    return sum(stat.st_size for stat in stats if stat.st_nlink == 1)
