"""The store's log kept short: a store that somebody always reads never folds it by itself.

SQLite begins its log (``-wal``) anew only when nobody reads from it. Readers that overlap, each short, keep
it growing for ever; a look now and then that waits a moment for them ends that. Against one that reads for
hours nothing helps but to say so.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path

import structlog

from deploy.clock import monotonic_ms
from review.store import Clock

log = structlog.get_logger()

MOST_BYTES = 16 * 1024 * 1024
"""How long the log may grow before it is folded with some force [bytes]: four times what SQLite aims at.
Doubling it doubles the room beside the store, and what a start after a power cut reads."""

EVERY_MS = 5_000
"""How often is looked [ms]."""

PATIENCE_MS = 250
"""How long readers are waited for [ms]; nothing is committed meanwhile."""


class LogLength:
    """Looks after the log of one store, right after commits; what goes wrong is left to the next commit."""

    def __init__(
        self, path: Path, *, most_bytes: int = MOST_BYTES, uptime_ms: Clock = monotonic_ms
    ) -> None:
        self._file = path.with_name(path.name + "-wal")
        self._most_bytes = most_bytes
        self._uptime_ms = uptime_ms
        self._due_ms = 0
        self._said = False

    def look(self, writer: sqlite3.Connection, *, usual_ms: int) -> None:
        """Fold a log that has grown too long; ``usual_ms`` is how long the writer waits for others else."""
        now_ms = self._uptime_ms()
        if now_ms < self._due_ms:
            return
        self._due_ms = now_ms + EVERY_MS
        size = self._size()
        if size > self._most_bytes and not self._fold(writer, usual_ms):
            if not self._said:
                log.warning("store.log_long", bytes=size)
            self._said = True
        elif self._said:
            log.info("store.log_folded", bytes=self._size())
            self._said = False

    def _size(self) -> int:
        try:
            return self._file.stat().st_size
        except OSError:
            return 0

    def _fold(self, writer: sqlite3.Connection, usual_ms: int) -> bool:
        try:
            writer.execute(f"PRAGMA busy_timeout={PATIENCE_MS}")
            (busy, _, _) = writer.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        except sqlite3.Error:
            return False
        else:
            return bool(busy == 0)
        finally:
            writer.execute(f"PRAGMA busy_timeout={usual_ms}")
