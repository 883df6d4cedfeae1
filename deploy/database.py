"""The store: one SQLite file, one writer at a time, short readers.

WAL with ``synchronous=FULL``: what is committed survives a power cut, and only what is
committed is acknowledged to the broker.
"""

from __future__ import annotations

import fcntl
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import structlog

import alerts.schema
import deploy.schema
import ingest.schema
import review.schema
from deploy import private
from deploy.backup import replacing
from deploy.log_length import LogLength
from deploy.store_error import StoreBusy, StoreError
from deploy.upgrade import forget_older, keep_before, steps_done

log = structlog.get_logger()

__all__ = ["Beside", "Database", "StoreBusy", "StoreError"]

_PACKAGES: tuple[tuple[str, tuple[tuple[str, ...], ...]], ...] = (
    ("ingest", ingest.schema.STEPS),
    ("alerts", alerts.schema.STEPS),
    ("review", review.schema.STEPS),
    ("deploy", deploy.schema.STEPS),
)


def steps_known() -> dict[str, int]:
    """Count the steps of each package that this Heatbook knows."""
    return {package: len(steps) for package, steps in _PACKAGES}


def behind(conn: sqlite3.Connection) -> bool:
    """Say whether a store still has steps to take.

    Raises
    ------
    StoreError
        It has taken steps that this Heatbook does not know.
    """
    done, known = steps_done(conn), steps_known()
    for package, steps in done.items():
        if steps > known.get(package, 0):
            raise from_later(package, steps)
    return done != known


def from_later(package: str, step: int) -> StoreError:
    """Say that a store is from a later version."""
    return StoreError(
        f"the store is from a later Heatbook ({package} step {step}, this one knows "
        f"{steps_known().get(package, 0)}); install that version, or restore an older backup"
    )


PATIENCE_MS = 5_000
"""How long a writer waits for others to let go of the store [ms]."""


class Database:
    """An open store.

    Parameters
    ----------
    path
        The database file; it is made when missing.
    synchronous
        ``"full"`` (default), ``"normal"``, or ``"off"`` for a store that is thrown away.
    log_length
        What keeps its log short; else one with the usual limits.

    Raises
    ------
    StoreBusy
        Another process writes to this store.
    StoreError
        It is from a later version, or it cannot be opened.
    """

    def __init__(
        self, path: Path, *, synchronous: str = "full", log_length: LogLength | None = None
    ) -> None:
        self.path = path
        self._gate = threading.Lock()
        self._log_length = log_length or LogLength(path)
        self.wringing = False
        """Whether the file is being written anew, for which all commits wait."""
        self.written = 0
        """How many transactions have changed something, and are on the disk."""
        self._lock_file = _claim(path)
        try:
            _settle(path)
            private.make_file(path)
            self._writer = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
            self._writer.execute("PRAGMA journal_mode=WAL")
            self._writer.execute(f"PRAGMA synchronous={synchronous}")
            self._writer.execute(f"PRAGMA busy_timeout={PATIENCE_MS}")
            keep_before(self._writer, path, steps_known())
            with self.write() as tx:
                _migrate(tx)
            forget_older(path)
        except sqlite3.Error as error:
            self._lock_file.close()
            raise StoreError(f"cannot open the store {path}: {error}") from error
        except BaseException:
            self._lock_file.close()
            raise

    @contextmanager
    def write(self) -> Iterator[sqlite3.Connection]:
        """Give the writer inside one transaction; commit at the end, roll back on any error."""
        with self._gate:
            self._writer.execute("BEGIN IMMEDIATE")
            before = self._writer.total_changes
            try:
                yield self._writer
                self._writer.execute("COMMIT")
            except BaseException:
                # A failed COMMIT may have rolled back by itself.
                if self._writer.in_transaction:
                    self._writer.execute("ROLLBACK")
                raise
            self.written += self._writer.total_changes > before
            self._log_length.look(self._writer, usual_ms=PATIENCE_MS)

    def probe(self) -> None:
        """Write what changes nothing, to learn whether the store takes anything."""
        with self.write() as tx:
            tx.execute("UPDATE schema_step SET step = step WHERE step = 1")

    @contextmanager
    def read(self) -> Iterator[sqlite3.Connection]:
        """Give a read-only connection for a short while (a long reader makes the log grow)."""
        with read_only(self.path) as conn:
            yield conn

    def wring(self) -> None:
        """Write the file anew, so that nothing of what was deleted is left in it; all else waits meanwhile.

        Raises
        ------
        sqlite3.OperationalError
            There is no room for it, or somebody reads for too long.
        """
        with self._gate:
            self.wringing = True
            try:
                self._writer.execute("VACUUM")
                busy, _, _ = self._writer.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
            finally:
                self.wringing = False
        if busy:
            raise sqlite3.OperationalError(
                "somebody reads the store: its log cannot be emptied"
            )

    def close(self) -> None:
        """Fold the log into the file and let go of the store."""
        with self._gate:
            try:
                self._writer.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            finally:
                self._writer.close()
                self._lock_file.close()


@contextmanager
def read_only(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a store for reading, also while a daemon writes to it.

    Raises
    ------
    StoreError
        There is no such store, or a restore of it was cut short.
    """
    if replacing.cut_short(path):
        raise StoreError(
            f"a restore of the store {path} was cut short; start the daemon, or do 'heatbook restore' again: "
            "either finishes it first"
        )
    if not path.exists():
        raise StoreError(f"there is no store at {path}; start the daemon, or name another file")
    conn = sqlite3.connect(f"file:{path}?mode=ro", uri=True, isolation_level=None, timeout=5.0)
    try:
        conn.execute("BEGIN")
        yield conn
    finally:
        conn.close()


@dataclass(frozen=True, slots=True)
class Beside:
    """A store that another process may write to."""

    path: Path

    def read(self) -> AbstractContextManager[sqlite3.Connection]:
        """Give a read-only connection for a short while."""
        return read_only(self.path)


@contextmanager
def beside_daemon(path: Path) -> Iterator[sqlite3.Connection]:
    """Write beside a running daemon: one short transaction that waits its turn.

    Raises
    ------
    StoreError
        There is no such store.
    """
    with read_only(path):
        pass  # says so when there is no store; opening to write would make an empty one
    with closing(sqlite3.connect(path, isolation_level=None, timeout=30.0)) as conn:
        conn.execute("PRAGMA synchronous=full")
        conn.execute("BEGIN IMMEDIATE")
        yield conn
        conn.execute("COMMIT")


@contextmanager
def claimed(path: Path) -> Iterator[None]:
    """Have the place of a store for this process alone, whether there is a store or not.

    Raises
    ------
    StoreBusy
        Another process writes to it.
    """
    with _claim(path):
        yield


def _claim(path: Path) -> IO[bytes]:
    """Take the store for this process alone; the lock ends with the process, however it ends."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=private.FOLDER)
        lock = path.with_name(path.name + ".lock").open("ab")
    except OSError as error:
        raise StoreError(f"cannot use {path.parent} for the store: {error.strerror}") from error
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        lock.close()
        raise StoreBusy(
            f"another Heatbook already writes to {path}; stop it, or give this one another "
            "store"
        ) from error
    return lock


def _settle(path: Path) -> None:
    """Finish what a restore that was cut short has left to do; before anybody makes a new store there."""
    settled = replacing.settle(path)
    if settled is None:
        return
    if settled.finished:
        log.warning("restore.finished", kept=[str(kept) for kept in settled.aside])
    else:
        log.warning("restore.undone", reason="the new store is gone")


def _migrate(tx: sqlite3.Connection) -> None:
    tx.execute(
        "CREATE TABLE IF NOT EXISTS schema_step ("
        "package TEXT NOT NULL, step INTEGER NOT NULL, PRIMARY KEY (package, step)) STRICT"
    )
    for package, steps in _PACKAGES:
        done = tx.execute(
            "SELECT count(*) FROM schema_step WHERE package = ?", (package,)
        ).fetchone()[0]
        if done > len(steps):
            raise from_later(package, done)
        for number in range(done, len(steps)):
            for statement in steps[number]:
                tx.execute(statement)
            tx.execute("INSERT INTO schema_step VALUES (?, ?)", (package, number + 1))


def store_failed(error: Exception) -> bool:
    """Say whether it is the store that failed, and not something in a message.

    A store that is full or locked raises ``OperationalError``, a damaged one ``DatabaseError``
    itself; its other children are faults of a statement.
    """
    return isinstance(error, sqlite3.OperationalError) or type(error) is sqlite3.DatabaseError
