"""Whether a backup is whole and can be believed: its files, its store, its months, and accounts run again."""

from __future__ import annotations

import sqlite3
from collections.abc import Container, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from alerts.phrases import number_of
from deploy.backup import manifest
from deploy.backup.make import schema_of
from deploy.backup.manifest import ARCHIVE, STORE, BackupError, Manifest
from deploy.backup.months import KINDS, path_of
from deploy.database import steps_known
from ingest import dropped, examining
from ingest.archive import ArchiveError
from ingest.fold import catch_up
from ingest.held import NEVER_MS, load
from ingest.parquet_archive import ParquetArchive
from ingest.record import effective
from ingest.sealed import months
from review.trucks import CourseOf

SAMPLE = 5
"""So many trucks are run again unless all are asked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What was found: ``problems`` in words; trucks run again, and those that could not be compared.

    ``unsound`` names files that are not to be believed; ``lost`` and ``unsummed`` the months, as "month of
    truck", that are not there without them, or without their sums.
    """

    manifest: Manifest
    problems: tuple[str, ...]
    store_whole: bool = False
    unsound: frozenset[str] = frozenset()
    lost: tuple[str, ...] = ()
    unsummed: tuple[str, ...] = ()
    months: int = 0
    run_again: int = 0
    of_other_basis: int = 0


def verify(
    folder: Path, *, courses: CourseOf, models: str, trucks: int | None = SAMPLE
) -> Verdict:
    """Look at a backup; ``trucks`` says how many are run again from the journal, None: all.

    Raises
    ------
    BackupError
        The folder is no backup, or one of a later Heatbook.
    """
    told = manifest.read(folder)
    bad = _files(folder, told)
    problems = [*told.problems, *bad.values()]
    if problems_of_store := _store(folder, told):
        return Verdict(manifest=told, problems=(*problems, *problems_of_store))
    with opened(folder) as conn:
        sealed = _months(conn, folder, bad)
        again = _accounts(conn, courses, models, trucks)
    return Verdict(
        manifest=told,
        problems=(*problems, *sealed.problems, *again.problems),
        store_whole=STORE not in bad,
        unsound=frozenset((*bad, *sealed.unsound)),
        lost=tuple(sealed.lost),
        unsummed=tuple(sealed.unsummed),
        months=sealed.seen,
        run_again=again.compared,
        of_other_basis=again.left,
    )


@contextmanager
def opened(folder: Path) -> Iterator[sqlite3.Connection]:
    """Open the store of a backup so that nothing is written, not even beside it."""
    where = f"file:{(folder / STORE).resolve()}?immutable=1"
    with closing(sqlite3.connect(where, uri=True, isolation_level=None)) as conn:
        yield conn


def later(told: Manifest) -> str | None:
    """Say which step of a backup's store this Heatbook does not know, None when it knows all."""
    known = steps_known()
    for package, steps in sorted(told.schema.items()):
        if steps > known.get(package, 0):
            return (
                f"its store is from a later Heatbook ({told.heatbook}; {package} step {steps}, this one "
                f"knows {known.get(package, 0)}); install that version, or take an older backup"
            )
    return None


def _files(folder: Path, told: Manifest) -> dict[str, str]:
    """Compare each file with its hash; say what is wrong, by file."""
    problems = {}
    for part in told.parts:
        path = folder / part.path
        try:
            size = path.stat().st_size
            same = size == part.bytes and manifest.hash_of(path) == part.sha256
        except OSError as error:
            problems[part.path] = (
                f"{path} cannot be read ({error.strerror}); take another backup"
            )
            continue
        if not same:
            problems[part.path] = (
                f"{path} is not as it was written ({size} bytes, {part.bytes} then, or other ones); take "
                "another backup"
            )
    return problems


def _store(folder: Path, told: Manifest) -> list[str]:
    """Look at the store itself: sound, and of the steps that the manifest names."""
    if (problem := later(told)) is not None:
        return [problem]
    path = folder / STORE
    try:
        with opened(folder) as conn:
            found = [row[0] for row in conn.execute("PRAGMA integrity_check(5)")]
            schema = schema_of(conn)
    except sqlite3.DatabaseError as error:
        return [f"{path} cannot be read ({error}); take another backup"]
    if found != ["ok"]:
        return [f"{path} is damaged ({'; '.join(found)}); take another backup"]
    if schema != told.schema:
        return [f"{path} is of other steps ({schema}) than its manifest says ({told.schema})"]
    return []


@dataclass(slots=True)
class _Sealed:
    """Sealed months that were read back."""

    seen: int = 0
    problems: list[str] = field(default_factory=list)
    unsound: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    unsummed: list[str] = field(default_factory=list)


def _months(conn: sqlite3.Connection, folder: Path, bad: Container[str]) -> _Sealed:
    """Read each sealed month back and compare it with the store's own word of it."""
    archive, found = ParquetArchive(folder / ARCHIVE), _Sealed()
    for key, truck in conn.execute("SELECT id, name FROM vehicle ORDER BY name").fetchall():
        for one in months(conn, vehicle_id=key):
            found.seen += 1
            samples, *sums = (path_of(kind, one.name) for kind in KINDS)
            damage = examining.problem_of_samples(archive, one)
            if damage is not None or samples in bad:
                found.lost.append(f"{one.month} of {truck}")
                found.unsound += [samples, *sums]
            elif (damage := examining.problem_of_sums(archive, one)) is not None or any(
                each in bad for each in sums
            ):
                found.unsummed.append(f"{one.month} of {truck}")
                found.unsound += sums
            if damage is not None:
                found.problems.append(damage)
    return found


@dataclass(slots=True)
class _Again:
    """Trucks that were run again."""

    problems: list[str]
    compared: int = 0
    left: int = 0


def _accounts(
    conn: sqlite3.Connection, courses: CourseOf, models: str, trucks: int | None
) -> _Again:
    """Run trucks again from their first sample and compare with the state that is stored."""
    again = _Again([])
    names = [row[0] for row in conn.execute("SELECT name FROM vehicle ORDER BY name")]
    for name in _some(names, trucks):
        try:
            same = _same(conn, name, courses, models)
        except ArchiveError as error:
            again.problems.append(f"{name} cannot be run again: {error}")
            continue
        again.compared += same is not None
        again.left += same is None
        if same is False:
            again.problems.append(
                f"the account of {name} is not what its samples and entries give; the daemon computes it "
                f"anew when checkpoints and state are gone: tell whoever maintains Heatbook"
            )
    return again


def _same(conn: sqlite3.Connection, name: str, courses: CourseOf, models: str) -> bool | None:
    """Run one truck again; None where its state is of other settings, models, or not there."""
    held = load(conn, name, courses(name, effective(conn, name, taken_only=True)), models)
    if held is None or held.last_ms == NEVER_MS:
        return None
    stored = catch_up(conn, held)
    anew = catch_up(conn, dropped.beginning(conn, held))
    return stored.state.tobytes() == anew.state.tobytes()


def _some(names: Sequence[str], number: int | None) -> Sequence[str]:
    """Take so many, spread evenly over all."""
    if number is None or number >= len(names):
        return names
    return [names[place * len(names) // number] for place in range(number)]


def refuse(folder: Path, verdict: Verdict, *, sound_only: bool = False) -> None:
    """Refuse a backup that has problems; with ``sound_only`` one whose store is not whole.

    Raises
    ------
    BackupError
        With all of them.
    """
    listed = "\n".join(verdict.problems)
    if not verdict.problems or (sound_only and verdict.store_whole):
        return
    if sound_only:
        raise BackupError(
            f"the store in {folder} is not whole, and nothing is put back without it: {listed}"
        )
    sound = ""
    if verdict.store_whole:
        whole = f"{verdict.months - len(verdict.lost)} of {number_of(verdict.months, 'month')}"
        sound = f"\nIts store is whole, and {whole}: --sound-only puts these back and leaves out the rest"
    raise BackupError(f"{folder} is not whole: {listed}{sound}")
