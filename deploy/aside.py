"""What goes aside in a commit: refused samples, values that lost, names of unknown fields."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable

from ingest import quarantine
from ingest.decoded import Decoded, Refused
from ingest.merge import Conflict
from ingest.message import Message
from ingest.wire import truck_of

MOST_NAMES = 1_000
"""Names of unknown fields that are counted apart in all; all others count as one."""

OTHER = "(other)"


class Aside:
    """Keeps what is not taken in, within bounds; everything in the caller's transaction."""

    def __init__(self, *, limit_rows: int, limit_bytes: int) -> None:
        self._limit_rows = limit_rows
        self._limit_bytes = limit_bytes

    def refused(
        self,
        tx: sqlite3.Connection,
        topic: str,
        vehicle: str | None,
        refused: Refused,
        now_ms: int,
    ) -> None:
        """Keep one refused sample or message."""
        quarantine.keep(
            tx,
            topic=topic,
            vehicle=vehicle,
            refused=refused,
            received_ms=now_ms,
            limit_rows=self._limit_rows,
            limit_bytes=self._limit_bytes,
        )

    def message(self, tx: sqlite3.Connection, topic: str, one: Decoded, now_ms: int) -> None:
        """Keep what was refused of a message and count its unknown fields."""
        for refused in one.refused:
            self.refused(tx, topic, one.vehicle, refused, now_ms)
        for name, times in one.unknown_fields.items():
            _count_name(tx, name, times)

    def conflicts(
        self, tx: sqlite3.Connection, vehicle: str, conflicts: Iterable[Conflict], now_ms: int
    ) -> None:
        """Keep the values that lost against others for the same signal and time."""
        for conflict in conflicts:
            quarantine.keep_conflict(
                tx,
                vehicle=vehicle,
                time_ms=conflict.time_ms,
                signal=conflict.signal,
                value=conflict.value,
                received_ms=now_ms,
                limit_rows=self._limit_rows,
                limit_bytes=self._limit_bytes,
            )

    def given_up(
        self, tx: sqlite3.Connection, message: Message, error: Exception, now_ms: int
    ) -> None:
        """Keep a message that we failed on."""
        refused = Refused(
            reason="not_processed",
            field="payload",
            detail=f"the daemon failed on it with {type(error).__name__}: {error}",
            raw=message.payload,
        )
        self.refused(tx, message.topic, truck_of(message.topic), refused, now_ms)


def _count_name(tx: sqlite3.Connection, name: str, times: int) -> None:
    known = tx.execute(
        "UPDATE unknown_field SET times = times + ? WHERE name = ?", (times, name)
    )
    if known.rowcount:
        return
    (names,) = tx.execute("SELECT count(*) FROM unknown_field").fetchone()
    kept = name if names < MOST_NAMES else OTHER
    tx.execute(
        "INSERT INTO unknown_field VALUES (?, ?) "
        "ON CONFLICT (name) DO UPDATE SET times = times + excluded.times",
        (kept, times),
    )
