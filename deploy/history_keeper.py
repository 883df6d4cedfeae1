"""The move of history beside the daemon: asked for by schedule or command, done in a thread of its own."""

from __future__ import annotations

import json
import sqlite3
import threading
from dataclasses import dataclass, replace

import structlog

from deploy.archive_mark import look_at
from deploy.clock import monotonic_ms
from deploy.courses import reader_of
from deploy.database import Database
from deploy.erasure import finish
from deploy.history_move import HistoryMove, Moved, Stopped
from deploy.influx_access import place_archive
from deploy.schedule import REST_MS
from deploy.settings import Settings
from ingest.archive import ArchiveError
from ingest.sealed import archive_of
from models.fleet import Fleet
from review.joined import joined
from review.store import Clock

log = structlog.get_logger()

HISTORY = "history"
"""The name of the job that asks for the move."""

EVERY_S = 2.0
"""How often is looked whether a move is asked for [s]."""

KEPT = 100
"""So many moves that are done are remembered."""

_PENDING = "SELECT id FROM history_move WHERE done_ms IS NULL ORDER BY id LIMIT 1"
_DONE = (
    "UPDATE history_move SET done_ms = ?, months = ?, samples = ?, dropped = ?, problems = ? "
    "WHERE done_ms IS NULL AND id <= ?"
)
_LAST = (
    "SELECT id, asked_ms, done_ms, months, samples, dropped, problems FROM history_move "
    "ORDER BY id DESC LIMIT 1"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """A move as the store remembers it; ``done_ms`` is None while it is still to come."""

    id: int
    asked_ms: int
    done_ms: int | None
    months: int
    samples: int
    dropped: int
    problems: tuple[str, ...]


def ask(tx: sqlite3.Connection, now_ms: int) -> int:
    """Ask for a move and give its number; one that is still to come will do."""
    row = tx.execute(_PENDING).fetchone()
    if row is not None:
        return int(row[0])
    number = tx.execute("INSERT INTO history_move (asked_ms) VALUES (?)", (now_ms,)).lastrowid
    tx.execute("DELETE FROM history_move WHERE id <= ?", (int(number or 0) - KEPT,))
    return int(number or 0)


def note(tx: sqlite3.Connection, number: int, moved: Moved, now_ms: int) -> None:
    """Write down what came of a move."""
    problems = json.dumps(moved.problems, ensure_ascii=False)
    tx.execute(_DONE, (now_ms, moved.months, moved.samples, moved.dropped, problems, number))


def last_move(conn: sqlite3.Connection) -> Move | None:
    """Give the last move that was asked for."""
    row = conn.execute(_LAST).fetchone()
    if row is None:
        return None
    number, asked_ms, done_ms, months, samples, dropped, problems = row
    return Move(
        id=number,
        asked_ms=asked_ms,
        done_ms=done_ms,
        months=months or 0,
        samples=samples or 0,
        dropped=dropped or 0,
        problems=tuple(json.loads(problems or "[]")),
    )


class HistoryKeeper:
    """Moves history when it is asked to; what befalls it stays its own."""

    def __init__(
        self,
        store: Database,
        move: HistoryMove,
        *,
        now_ms: Clock,
        stopping: threading.Event,
        uptime_ms: Clock = monotonic_ms,
    ) -> None:
        self._store = store
        self._move = move
        self._now_ms = now_ms
        self._uptime_ms = uptime_ms
        self._stopping = stopping
        self._resting_until_ms = 0
        self._thread = threading.Thread(target=self._run, name="history", daemon=True)

    def start(self) -> None:
        """Begin to look for what is asked."""
        self._thread.start()

    def stop(self, timeout_s: float = 20.0) -> bool:
        """End after the step now being done; false when that took longer than the time."""
        self._stopping.set()
        return joined(self._thread, timeout_s)

    def once(self) -> Moved | None:
        """Do what is asked for now, if anything is."""
        with self._store.read() as conn:
            row = conn.execute(_PENDING).fetchone()
        if row is None:
            return None
        moved = self._move.run()
        with self._store.write() as tx:
            note(tx, row[0], moved, self._now_ms())
        log.info(
            "archive.moved",
            months=moved.months,
            samples=moved.samples,
            dropped=moved.dropped,
            problems=len(moved.problems),
        )
        return moved

    def _run(self) -> None:
        while not self._stopping.wait(EVERY_S):
            if self._uptime_ms() < self._resting_until_ms:
                continue
            try:
                self.once()
                finish(self._store, self._now_ms)
            except Stopped:
                return
            except (ArchiveError, sqlite3.DatabaseError) as error:
                log.error("archive.failed", vehicle="", reason=str(error))
                self._resting_until_ms = self._uptime_ms() + REST_MS
            except Exception:
                log.exception("archive.failed", vehicle="")
                self._resting_until_ms = self._uptime_ms() + REST_MS


def history_keeper(
    settings: Settings, fleet: Fleet, database: Database, now_ms: Clock
) -> HistoryKeeper:
    """Give the keeper by the settings; the store learns where its archive is."""
    stopping = threading.Event()
    move = history_move(settings, fleet, database, now_ms=now_ms, stopping=stopping)
    return HistoryKeeper(database, move, now_ms=now_ms, stopping=stopping)


def history_move(
    settings: Settings,
    fleet: Fleet,
    database: Database,
    *,
    now_ms: Clock,
    stopping: threading.Event | None = None,
) -> HistoryMove:
    """Give the move by the settings; the store learns where its archive is.

    Raises
    ------
    ArchiveError
        The archive is another store's, or months lie in one of another kind.
    """
    with database.write() as tx:
        place_archive(tx, settings)
        look_at(tx, archive_of(tx))
    return HistoryMove(
        database,
        replace(reader_of(settings, fleet), now_ms=now_ms),
        settings.archive.rules(settings.models.max_gap_s),
        now_ms=now_ms,
        stopping=stopping,
    )
